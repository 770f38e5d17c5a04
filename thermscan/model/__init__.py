"""Frozen records and their checks: no files, no pictures, no stages."""
