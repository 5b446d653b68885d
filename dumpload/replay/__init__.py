"""The daemon's own controller driven through a record, in virtual time, and what came of it."""
