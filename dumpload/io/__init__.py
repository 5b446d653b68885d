"""The outside world, one file each: the broker, the pin, the service manager, the log."""
