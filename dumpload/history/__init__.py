"""The daemon's own record: written in batches for an SD card, read beside the writer."""
