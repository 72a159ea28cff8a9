"""The record as one self-contained HTML page."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

from cycler.record.blocks import View
from cycler.record.chart import Chart, to_svg
from cycler.record.language import text
from cycler.record.sentences import END, START, without_marks

_TAG = re.compile(r"(<title>.*?</title>|<[^>]*>)", re.DOTALL)
TEMPLATE_FOLDER = Path(__file__).parent.parent / "data" / "record"


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    def svg(chart: Chart, css_class: str) -> Markup:
        return Markup(to_svg(chart, css_class))  # chart.to_svg escapes every text it is given

    environment = Environment(
        loader=FileSystemLoader(TEMPLATE_FOLDER), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    environment.globals["svg"] = svg
    environment.globals["kind_of"] = lambda block: type(block).__name__
    return environment.get_template("record.html")


def render_html(view: View) -> str:
    """The view as a page: styles and pictures inside, no script, nothing loaded from elsewhere."""
    return _with_languages(_template().render(view=view, text=text))


def _with_languages(page: str) -> str:
    """The page with text that stayed English told apart by its ``lang``; no mark stays inside a tag or the title."""
    parts = _TAG.split(page)
    shown = (without_marks(part) if part.startswith("<") else part.replace(START, '<span lang="en">').replace(END, "</span>") for part in parts)
    return "".join(shown)
