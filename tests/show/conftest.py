"""Pictures drawn once for all tests of pages."""

from __future__ import annotations

import pytest


@pytest.fixture(scope="session")
def pictures(result, maps, board):
    from thermscan.show.report import draw_pictures

    return draw_pictures(result, maps, board)
