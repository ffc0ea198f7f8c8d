"""Score trays whose truth is known and put every figure beside its goal."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from scorer.batch.run import Plan, score_paths
from scorer.batch.task import Source, Wanted
from scorer.score_tables import TrayScore
from scorer.tag import Tag
from scorer.tray import Settings, score_photo
from tests.benchmarks.compare import compare


@dataclass(frozen=True)
class Line:
    """One goal: what is measured, the goal in words, and the bounds of every figure in it."""

    name: str
    goal: str
    figures: tuple[float, ...]
    bounds: tuple[tuple[float, float], ...]

    @property
    def reached(self) -> bool:
        """Whether every figure lies within its bounds; a figure that could not be measured does not."""
        pairs = zip(self.figures, self.bounds, strict=True)
        return all(low <= figure <= high for figure, (low, high) in pairs)


def score_and_compare(folder: Path, *, jobs: int, settings: Settings) -> dict[str, Any]:
    """Score ``photos`` of a folder and compare with its ``truth``."""
    with tempfile.TemporaryDirectory() as work:
        plan = Plan(partial(score_source, settings), out=Path(work), wanted=Wanted(masks=True), jobs=jobs)
        score_paths([folder / "photos"], plan)
        return compare(Path(work), folder / "truth")


def score_source(settings: Settings, source: Source, name: str, tag: Tag | None) -> TrayScore:
    """Score a photo by these settings; fit to be sent to a worker."""
    return score_photo(source, name=name, manifest_tag=tag, settings=settings)


def goals(figures: dict[str, Any]) -> list[Line]:
    """Every goal with what was measured; errors in per cent count by their size."""

    def error(name: str) -> tuple[float, float]:
        middle, far = figures[f"{name} error %, median signed / 95th of size"]
        return abs(middle), far

    def up_to(*highest: float) -> tuple[tuple[float, float], ...]:
        return tuple((0.0, high) for high in highest)

    def at_least(lowest: float) -> tuple[tuple[float, float], ...]:
        return ((lowest, float("inf")),)

    brown = tuple(figures["brown fraction error in points, mean of size / 95th"])
    area_ratio = tuple(figures["mark area ratio, median / 5th / 95th"] or [float("nan")] * 3)
    one = {name: (value,) for name, value in figures.items() if isinstance(value, int | float)}
    return [
        Line("trays counted exactly", ">= 0.95", one["trays counted exactly"], at_least(0.95)),
        Line("fruit IoU, median", ">= 0.97", one["fruit IoU, median"], at_least(0.97)),
        Line("length error %, median, 95th", "<= 1, <= 4", error("length"), up_to(1, 4)),
        Line("width error %, median, 95th", "<= 1, <= 4", error("width"), up_to(1, 4)),
        Line("visible area error %, median, 95th", "<= 3, <= 10", error("visible area"), up_to(3, 10)),
        Line("brown fraction error, points, mean, 95th", "<= 0.5, <= 2", brown, up_to(0.5, 2)),
        Line("mark recall", ">= 0.92", one["mark recall"], at_least(0.92)),
        Line("false marks per fruit", "<= 0.05", one["false marks per fruit"], up_to(0.05)),
        Line(
            "mark area ratio, median, 5th, 95th",
            "0.95-1.05, >= 0.75, <= 1.3",
            area_ratio,
            ((0.95, 1.05), (0.75, float("inf")), (0.0, 1.3)),
        ),
        Line("sap burn and abrasion F1", ">= 0.92", one["sap_burn and abrasion F1, mean"], at_least(0.92)),
        Line("five kinds F1", ">= 0.80", one["five kinds F1, mean"], at_least(0.80)),
        Line("unsure share of found marks", "<= 0.10", one["unsure share of found marks"], up_to(0.10)),
        Line("defective fruit kappa", ">= 0.9", one["defective fruit kappa"], at_least(0.9)),
    ]


def table(title: str, lines: Sequence[Line]) -> str:
    """The lines as a table that also reads as Markdown."""
    rows = [
        (line.name, line.goal, ", ".join(f"{f:.3f}" for f in line.figures), "yes" if line.reached else "no")
        for line in lines
    ]
    rows = [("figure", "goal", "measured", "reached"), *rows]
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    text = ["| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in rows]
    text.insert(1, "| " + " | ".join("-" * w for w in widths) + " |")
    return "\n".join([title, "", *text, ""])
