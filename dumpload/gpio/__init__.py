"""The pin: claimed at off, driven, read back, and driven off whatever happens."""
