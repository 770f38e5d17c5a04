"""Records to files, whole or not at all."""
