"""One offline HTML page from one gauge study, as it was kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from harness.base.words import visible
from harness.nouns.results import Fitness
from harness.nouns.standing import overall, standing_of
from harness.report.marks import CLAIMS, MARKS
from harness.report.numbers import in_unit, limits_in_words, plain, prefix_for
from harness.report.shell import filled
from harness.report.titles import spaced


def render_gauge(study: Mapping[str, Any], *, number: int = 0, made: str = "") -> str:
    """The page as text; a pure function of what was kept. `number` and `made`: its place in the store."""
    # What is asked for first, for that is what a reader looks for.
    rows = [_row(quantity) for quantity in sorted(study["quantities"], key=lambda entry: entry["requirement"] is None)]
    asked = [quantity["word"] for quantity in study["quantities"] if quantity["requirement"] is not None]
    standing = overall(standing_of(Fitness, word) for word in asked)
    return filled(
        "gauge.html",
        study=study,
        rows=rows,
        number=number,
        made=made[:10],
        worst=CLAIMS[standing],
    )  # fmt: skip


def _row(quantity: Mapping[str, Any]) -> dict[str, Any]:
    mark = MARKS[standing_of(Fitness, quantity["word"])]
    unit, grr, limits = quantity["unit"], quantity["grr"], quantity["grr_limits"]
    factor = prefix_for(grr or 0.0, unit)[0]
    between = f" ({plain(limits[0] / factor, 3)} to {plain(limits[1] / factor, 3)})" if grr and limits else ""
    asked = quantity["requirement"] is not None
    claimed = quantity["claimed_u"]
    total = sum(line["component"] for line in quantity["lines"])
    return {
        "name": spaced(quantity["name"]),
        "anchor": visible(quantity["name"]).replace(".", "-"),
        "word": quantity["word"],
        "mark": mark.shape,
        "style": mark.style,
        "grr": in_unit(grr, unit) + between,
        **{key: in_unit(quantity[key], unit) for key in ("ev", "av", "interaction", "pv")},
        "ndc": "–" if quantity["ndc"] is None else str(quantity["ndc"]),
        "share": "–" if quantity["share"] is None else f"{100.0 * quantity['share']:.0f} %",
        "over": f"{grr / claimed:.2g}" if claimed and grr is not None else "–",
        "required": limits_in_words(quantity["requirement"]["low"], quantity["requirement"]["high"], unit)
        if asked
        else "",
        "reason": visible(quantity["reason"]),
        "remarks": [visible(remark) for remark in quantity["remarks"]],
        "pooled": ", ".join(quantity["pooled"]),
        "lines": [_line(line, unit, total) for line in quantity["lines"]] if asked else [],
    }


def _line(line: Mapping[str, Any], unit: str, total: float) -> dict[str, str]:
    mean_square = line["ss"] / line["dof"] if line["dof"] else None
    about = "~" if line["approximate"] else ""
    component = line["component"]
    return {
        "words": line["words"],
        "ss": f"{line['ss']:.4g}",
        "dof": str(line["dof"]),
        "ms": "–" if mean_square is None else f"{mean_square:.4g}",
        "f": "–" if line["f"] is None else about + plain(line["f"], 3),
        "p": "–" if line["p"] is None else f"{line['p']:.3f}",
        "s": in_unit(component**0.5, unit) + (" (estimated below 0)" if line["cut"] else ""),
        "part": f"{100.0 * component / total:.1f} %" if total else "–",
    }
