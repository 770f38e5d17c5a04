"""The command line and the local page: parse, one call, print."""
