"""Stored baselines as rows of a table at the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from harness.show.columns import Heading, Layout, TableRow
from harness.store.baselines import StoredBaseline

LIST = Layout(
    headings=(
        Heading(words="baseline"),
        *(Heading(words=word, right=True) for word in ("revision", "records", "mountings")),
        *(Heading(words=word) for word in ("rig", "by", "when", "state")),
    ),
    narrow=80,
    with_names=0,
)


def list_row(stored: StoredBaseline) -> TableRow:
    """A revision in the list of baselines."""
    rig = f"{stored.rig} (SIMULATED)" if stored.simulated else stored.rig
    counts = str(stored.revision), str(len(stored.runs)), str(mountings_of(stored))
    by, when = stored.by_whom, stored.accepted_utc[:10]
    return TableRow(
        standing=None,
        name=stored.name,
        cells=(*counts, rig, by if len(by) <= 20 else f"{by[:17]}...", when),
        word=stored.state,
        sentence=f"revision {counts[0]}, {counts[1]} records of {rig}, {counts[2]} mountings, by {by} {when}, "
        f"{stored.state}",
        reason="" if stored.retirement is None else f"by {stored.retirement.by_whom}: {stored.retirement.why}",
    )


def in_list(rows: Sequence[TableRow]) -> str:
    """Why revisions are retired."""
    return f"{', '.join(f'{row.name} (revision {row.cells[0]})' for row in rows)}: retired {rows[0].reason}"


def mountings_of(stored: StoredBaseline) -> int:
    """How many mountings it has, as whoever accepted it said."""
    return len(set(stored.mountings))
