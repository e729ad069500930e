"""The command line: parses, calls `terrain.site.Site`, prints."""
