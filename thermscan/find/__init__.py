"""Compare recordings on the board grid, then detect."""
