"""Turn solar power that would be thrown away into hot water, unattended, and fail safe to off."""

__version__ = "0.1.0"
