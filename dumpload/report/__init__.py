"""What a relay did, or would have done, over days: as text, JSON, pictures and a page."""
