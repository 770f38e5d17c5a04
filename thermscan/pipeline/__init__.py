"""Joins the stages; no arithmetic of its own."""
