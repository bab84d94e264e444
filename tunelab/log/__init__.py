"""Raw file to log: read, map, flag, align, segment."""
