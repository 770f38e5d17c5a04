"""From what is hot or cold to what may be at fault."""
