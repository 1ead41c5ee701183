"""The one style sheet: text can be read on its ground, light, dark and printed."""

import re
from itertools import product

import pytest

from calib.report.base import TEMPLATES

CSS = (TEMPLATES / "page.css").read_text(encoding="utf-8")
PALETTES = re.findall(r":root \{([^}]*)\}", CSS)
TEXT, GROUND = ("ink", "quiet", "accent", "slow", "quick", "good"), ("paper", "wash")


def luminance(colour):
    """Relative luminance, WCAG 2.2 (W3C Recommendation, 2023), definition of 'relative luminance'."""
    whole = colour * 2 if len(colour) == 3 else colour
    parts = [int(whole[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white_is_that_of_the_standard():
    assert contrast("000", "fff") == pytest.approx(21.0)


def test_there_is_a_light_a_dark_and_a_printed_palette():
    assert len(PALETTES) == 3


@pytest.mark.parametrize("palette", PALETTES, ids=["light", "dark", "print"])
def test_text_has_the_contrast_that_the_standard_asks(palette):
    # WCAG 2.2, success criterion 1.4.3 (level AA): 4.5 to 1
    colour = dict(re.findall(r"--(\w+): #([0-9a-f]+)", palette))
    for text, ground in product(TEXT, GROUND):
        assert contrast(colour[text], colour[ground]) >= 4.5, (text, ground)


@pytest.mark.parametrize("palette", PALETTES, ids=["light", "dark", "print"])
def test_marks_have_the_contrast_that_the_standard_asks(palette):
    # WCAG 2.2, success criterion 1.4.11 (level AA): 3 to 1 for what is needed to understand a picture; a band is told by its outline
    colour = dict(re.findall(r"--(\w+): #([0-9a-f]+)", palette))
    for mark, ground in product(("edge", "ink", "accent", "slow", "quick"), ("paper", "wash", "band")):
        assert contrast(colour[mark], colour[ground]) >= 3, (mark, ground)


def test_every_colour_of_a_mark_is_one_of_those_that_are_measured():
    used = set(re.findall(r"(?:fill|stroke): var\(--(\w+)\)", CSS))
    assert used <= {
        "edge",
        "ink",
        "accent",
        "slow",
        "quick",
        "quiet",
        "band",
        "line",
    }  # band: outlined; line: rules alone
    assert ".band { fill: var(--band); stroke: var(--edge);" in CSS
