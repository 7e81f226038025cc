"""The page on a phone: personal links in notices, and the network now."""
