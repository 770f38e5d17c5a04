"""Recordings of references to camera and surface profiles."""
