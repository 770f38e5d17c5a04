"""The progress bar: shown where somebody looks, silent elsewhere, never running backwards."""

import io
import sys

import pytest

from thermscan.app.progress import progress_bar
from thermscan.pipeline.progress import Together


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_a_bar_is_drawn_on_a_terminal_and_reaches_the_end(monkeypatch):
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    tell, finish = progress_bar(quiet=False)
    tell("following the picture", 0.5)
    tell("an earlier share", 0.3)
    tell("done", 1.0)
    finish()
    assert "following the picture" in terminal.getvalue()
    assert "100%" in terminal.getvalue()


@pytest.mark.parametrize("quiet", [True, False])
def test_nothing_is_drawn_into_a_file_or_where_it_is_not_wanted(quiet, monkeypatch):
    stream = Terminal() if quiet else io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    tell, finish = progress_bar(quiet=quiet)
    tell("working", 0.5)
    finish()
    assert stream.getvalue() == ""


def test_works_that_run_at_once_share_one_bar():
    told = []
    together = Together(lambda doing, share: told.append((doing, share)), 2, upto=0.6)
    first, second = together.work(0, "a.tiff"), together.work(1, "b.tiff")
    first("measuring", 0.5)
    second("measuring", 1.0)
    first("done", 1.0)
    assert [share for _, share in told] == pytest.approx([0.15, 0.45, 0.6])
    assert told[1][0] == "b.tiff: measuring"
