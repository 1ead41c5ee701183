"""Other models in words: noise is not claimed from a few weeks, and a comparison grows old."""

import pytest
from week_documents import full_week, peers_of

from calib.report.peers import FEWEST_WEEKS, peers_sentence, peers_view
from calib.report.week import week_page


@pytest.mark.parametrize(
    ("weeks", "noise", "told"),
    [(26, 5.0, "more than noise"), (26, 14.0, "no more than noise"),
     (FEWEST_WEEKS - 1, 1.0, "too few weeks to tell whether that is noise (9, 10 are needed)"),
     (1, None, "too few weeks to tell whether that is noise (1, 10 are needed)")],
)  # fmt: skip
def test_what_is_noise(weeks, noise, told):
    peers = peers_of(weeks)
    peers["models"][2]["noise_pct"] = noise
    assert peers_sentence(peers).startswith(f"calib is best here, 30 per cent ahead of mixed model: {told}. Other")


def test_a_model_that_is_ahead_is_named_first():
    peers = peers_of(26)
    peers["models"][2] |= {"score": 0.08, "behind_pct": -20.0}
    assert peers_sentence(peers).startswith("mixed model is best here, 20 per cent ahead of calib: more than noise.")


@pytest.mark.parametrize(
    ("peers", "told"),
    [
        (None, "Other models were never tried on this lab's runs."),
        (peers_of(26, "2026-01-02"), "Other models were last tried on the logs up to"),
    ],
)
def test_an_old_comparison_is_asked_for_anew(peers, told):
    view = peers_view(peers, "2026-06-07")
    assert view["ask"].startswith(told)
    assert view["ask"].endswith("Once a quarter run: calib backtest --peers")
    page = week_page(full_week() | {"peers": peers})
    assert view["ask"].split(".")[0].replace("'", "&#39;") in page.replace("\N{NO-BREAK SPACE}", " ")
    assert "error of all ranges" not in page


def test_this_quarters_comparison_is_folded_at_the_end_of_the_page():
    page = week_page(full_week())
    end = page[page.index('<summary id="peers">') :]
    assert "error of all ranges" in end
    assert [name for name in ("calib", "mixed model", "plan alone") if f'<th scope="row">{name}</th>' in end] == [
        "calib",
        "mixed model",
        "plan alone",
    ]
    assert end.index("</section>") < end.index("<footer>") < len(end)
    assert "<section" not in end[end.index("</section>") :]
