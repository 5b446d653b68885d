"""Replay: the daemon's own controller driven through a record in virtual time."""
