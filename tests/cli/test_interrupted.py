"""Ctrl-C ends a command with a sentence and status 130."""

from __future__ import annotations

import pytest

from calib.workflow import keeping


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_an_interrupt_is_a_sentence_and_status_130(lab, calib, monkeypatch, more):
    def interrupt(*args):
        raise KeyboardInterrupt

    monkeypatch.setattr(keeping, "check_shop", interrupt)
    assert calib("check", *more) == (130, "", "Interrupted; nothing was left half-done.\n")
