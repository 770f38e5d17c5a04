"""What is to be said of a net that is fed from a bench supply before anything is worked out."""

from __future__ import annotations

from thermscan.explain.injection import over_volts
from thermscan.model.board import Board
from thermscan.model.recording import Drive


def fed_net_warnings(drive: Drive | None, board: Board | None) -> tuple[str, ...]:
    """Warn where a supply feeds a net with more than it carries; empty where nothing is fed, or that is not known."""
    return () if drive is None else over_volts(drive, board)
