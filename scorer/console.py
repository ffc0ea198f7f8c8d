"""What the command shows: progress while it works, tables when it is done."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import TextIO

import pandas as pd
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    TextColumn,
    TimeRemainingColumn,
)
from rich.table import Table
from rich.text import Text

from scorer.batch.run import PHOTOS_SHOWN, BatchReport
from scorer.batch.task import Outcome
from scorer.crew_summary import ANY_HOLD, FAIR_USE, ONE_COUNT_PER_PHOTO, ONLY_SETTLED, TOO_FEW

_COUNTS = ("crew", "bins", "photos", "retake", "unsettled", "fruit", "over_limit")
PLAIN_WIDTH = 200  # columns of a table that goes to a file or another program


class PhotoProgress:
    """Tells of each photo: a bar with the time left on a terminal, a plain line anywhere else."""

    def __init__(self, stream: TextIO, bar: Progress | None) -> None:
        self._stream, self._bar = stream, bar
        self._task = bar.add_task("scoring", total=None) if bar else None
        self._total = self._done = 0

    def found(self, photos: int) -> None:
        """Learn how many photos there are."""
        self._total = photos
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, total=photos)

    def done(self, outcome: Outcome) -> None:
        """Tell what became of the next photo."""
        self._done += 1
        line = f"{outcome.name}: {outcome.sentence()}"
        if self._bar is not None and self._task is not None:
            if outcome.refused:
                self._bar.console.print(Text(line))
            self._bar.advance(self._task)
        else:
            of_all = f"/{self._total}" if self._total else ""
            print(f"{self._done}{of_all} {line}", file=self._stream, flush=True)


@contextmanager
def progress_of(stream: TextIO) -> Iterator[PhotoProgress]:
    """Progress shown on a stream for as long as the block lasts."""
    if not stream.isatty():
        yield PhotoProgress(stream, None)
        return
    with Progress(*_columns(), console=Console(file=stream)) as bar:
        yield PhotoProgress(stream, bar)


@contextmanager
def steps_of(stream: TextIO, what: str, total: int) -> Iterator[Callable[[str], None]]:
    """Give a call that tells of each named step once it is done: a bar on a terminal, else plain lines."""
    if not stream.isatty():
        count = itertools.count(1)
        yield lambda name: print(f"{what} {next(count)}/{total} {name}", file=stream, flush=True)
        return
    with Progress(*_columns(), console=Console(file=stream)) as bar:
        task = bar.add_task(what, total=total)
        yield lambda name: bar.advance(task)


def _columns() -> tuple[ProgressColumn, ...]:
    return TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()


def show_report(report: BatchReport, kept_in: str, limits: str) -> None:
    """Print the tables per fruit and per crew, and what must be said with them.

    Parameters
    ----------
    report : what a batch gave.
    kept_in : where the results are, in words.
    limits : what the limit table is called.
    """
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=PLAIN_WIDTH, no_color=True)
    if report.fruit is not None:
        console.print(_fruit_table(report.fruit, limits))
    else:
        console.print(Text(f"Fruit of more than {PHOTOS_SHOWN} photos are not listed here; judged by {limits}."))
    crews = report.crews.table()
    console.print(_crew_table(crews))
    console.print(Text(ANY_HOLD if report.crews.any_hold else ONLY_SETTLED))
    if not crews["enough"].all():
        console.print(Text(f"Crews marked so: {TOO_FEW}. Sample more bins first."))
    if report.photos > 1:
        console.print(Text(ONE_COUNT_PER_PHOTO))
    console.print(Text(FAIR_USE))
    console.print(Text(_last_line(report, kept_in)))
    for note in report.notes:
        console.print(Text(note))
    if report.log is not None:
        console.print(Text(f"scorer itself failed on {report.faults} photos; send {report.log} to its developers."))


def show_table(title: str, table: pd.DataFrame) -> None:
    """Print a table as it is: figures to the right, times to the minute, what is missing as a dash."""
    shown = _table(title)
    for name in table.columns:
        shown.add_column(str(name).replace("_", " "), justify="right" if table[name].dtype.kind in "if" else "left")
    for row in table.itertuples(index=False):
        shown.add_row(*(_words(_minute(value)) for value in row))
    console = Console(highlight=False)
    (console if console.is_terminal else Console(highlight=False, width=PLAIN_WIDTH, no_color=True)).print(shown)


def _last_line(report: BatchReport, kept_in: str) -> str:
    parts = [f"{report.photos - report.refused} photos scored"]
    if report.known:
        parts.append(f"{report.known} of them before, as the records show")
    if report.retake:
        parts.append(f"{report.retake} of them to be taken again and left out of the sums")
    if report.refused:
        parts.append(f"{report.refused} refused (see the reasons in photos.csv)")
    return f"{', '.join(parts)}; {kept_in}."


def _fruit_table(fruit: pd.DataFrame, limits: str) -> Table:
    table = _table(f"Fruit, by the limits {limits}")
    for name in ("photo", "crew", "bin"):
        table.add_column(name)
    for name in ("fruit", "mm", "brown %", "sap mm2", "abrasion mm2", "other mm2", "marks"):
        table.add_column(name, justify="right")
    for name in ("class", "verdict"):
        table.add_column(name)
    for row in fruit.to_dict("records"):
        table.add_row(
            *(_words(row[name]) for name in ("photo", "crew", "bin", "fruit")),
            f"{_figure(row['length_mm'])} x {_figure(row['width_mm'])}",
            _figure(100 * row["brown_fraction"], 1),
            *(_figure(row[name]) for name in ("sap_burn_mm2", "abrasion_mm2", "other_mm2")),
            *(_words(row[name]) for name in ("marks", "class", "verdict")),
        )
    return table


def _crew_table(crews: pd.DataFrame) -> Table:
    table = _table("Crews")
    table.add_column("crew")
    for name in ("bins", "photos", "retake", "not settled", "fruit", "over a limit", "share"):
        table.add_column(name, justify="right")
    table.add_column("")
    for row in crews.to_dict("records"):
        share = "-" if pd.isna(row["share"]) else f"{100 * row['share']:.0f} %"
        table.add_row(
            *(_words(row[name]) for name in _COUNTS),
            Text(share),
            Text("" if row["enough"] else TOO_FEW),
        )
    return table


def _table(title: str) -> Table:
    return Table(title=Text(title, style="bold"), title_justify="left", box=None, header_style="bold", pad_edge=False)


def _minute(value: object) -> object:
    return f"{value:%Y-%m-%d %H:%M}" if isinstance(value, datetime) and not pd.isna(value) else value


def _words(value: object) -> Text:
    """Text of a cell; a Text, so that brackets in a crew's name are not read as style."""
    return Text("-" if value is None or pd.isna(value) else str(value))  # type: ignore[call-overload]


def _figure(value: float, digits: int = 0) -> str:
    return "-" if pd.isna(value) else f"{value:.{digits}f}"
