"""Watches remote rain-gauge stations and tells the right person once."""
