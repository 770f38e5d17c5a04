"""Physical laws and plate model: arrays in, arrays out, no files."""
