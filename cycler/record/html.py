"""The record as one self-contained HTML page."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from cycler.record import text
from cycler.record.blocks import View
from cycler.record.chart import Chart, to_svg

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
    return _template().render(view=view, text=text)
