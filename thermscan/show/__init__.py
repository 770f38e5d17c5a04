"""Result to pictures and pages; computes no number that is not in the result."""
