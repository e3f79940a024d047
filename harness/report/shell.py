"""What all pages have in common: the head with its policy that nothing is fetched or run, and how they are filled."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from harness.report.numbers import visible

OWN = "harness.report"


def filled(template: str, *styles: str, package: str = OWN, **values: Any) -> str:
    """A page as text: a template of a package, in the shell that all share; whatever it is given is escaped.

    `styles` are style sheets of that package, which come after the one that all share.
    """
    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader(package, "."), jinja2.PackageLoader(OWN, ".")]),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["visible"] = visible
    sheets = [files(OWN) / "page.css", *(files(package) / name for name in styles)]
    style = Markup("\n".join(sheet.read_text(encoding="utf-8") for sheet in sheets))
    return environment.get_template(template).render(style=style, **values)
