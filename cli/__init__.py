"""The vibekit command line: one file per command."""
