"""Pages are one file each: template, style sheet and charts inside, nothing fetched."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from calib.report import units

TEMPLATES = Path(__file__).parent / "templates"


@cache
def environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    for function in (
        units.duration,
        units.change,
        units.signed_percent,
        units.share,
        units.chance,
        units.times,
        units.count,
        units.day,
        units.stage_name,
    ):
        made.filters[function.__name__] = function
    return made


def render(template: str, **values: Any) -> str:
    """Fill a template of this room; text is escaped, ``css`` (the one style sheet) goes in as it stands."""
    style = Markup((TEMPLATES / "page.css").read_text(encoding="utf-8"))
    return environment().get_template(template).render(css=style, **values)
