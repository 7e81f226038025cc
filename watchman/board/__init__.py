"""The page on a phone: personal links in notices, and the network now."""

from watchman.board.links import link, standing_link

__all__ = ["link", "standing_link"]
