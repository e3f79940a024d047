"""What all pages have in common: the head with its policy that nothing is fetched or run, and how they are filled."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup, escape

from harness.base.words import visible, visible_lines

OWN = "harness.report"


def filled(template: str, *styles: str, package: str = OWN, **values: Any) -> str:
    """A page as text: a template of a package, in the shell that all share.

    Whatever it is given is shown as text on one line: control and direction characters spelled out, markup escaped.

    `styles` are style sheets of that package, which come after the one that all share.
    """
    sheets = [files(OWN) / "page.css", *(files(package) / name for name in styles)]
    style = Markup("\n".join(sheet.read_text(encoding="utf-8") for sheet in sheets))
    return _environment(package).get_template(template).render(style=style, **values)


@lru_cache
def _environment(package: str) -> jinja2.Environment:
    # One for all pages of a package: a lot has a certificate a board, and each would read the template anew.
    made = jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader(package, "."), jinja2.PackageLoader(OWN, ".")]),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
    )
    made.filters["lines"] = lambda words: escape(visible_lines(words))
    return made


def _shown(value: Any) -> Any:
    """Whatever stands in a page is visible, and then escaped; a drawing's markup is both already."""
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value
