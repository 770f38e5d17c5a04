"""The folder about one faulty board."""
