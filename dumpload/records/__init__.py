"""What a record of telemetry is, whatever file it comes from: stretches of rows, single moments, pages of a history."""
