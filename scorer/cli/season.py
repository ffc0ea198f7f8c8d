"""Where a season's fruit come from, for all commands that make figures of it: the records, or plain tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from scorer.cli.ask import FILE, FOLDER, USUAL_PLACE, or_sentence, or_usage

if TYPE_CHECKING:
    import pandas as pd
    from sqlalchemy import Engine

    from scorer.fruit_rows import Countable


@dataclass(frozen=True)
class Season:
    """What the options say of the season.

    Parameters
    ----------
    records : the records' file, USUAL_PLACE, or None.
    results : a folder of plain tables, or None; one of the two.
    checked : a list of fruit checked by eye, for plain tables.
    any_hold : whether fruit count that were photographed early.
    """

    records: str | None
    results: Path | None
    checked: Path | None
    any_hold: bool

    def counted(self) -> Countable:
        """The fruit that count."""
        from scorer.fruit_rows import countable

        return countable(self._rows(), any_hold=self.any_hold)

    def marks(self) -> pd.DataFrame:
        """All marks, with their measures."""
        import pandas as pd

        from scorer.read_results import read_results
        from scorer.records.scores import scores_of
        from scorer.score_tables import empty_marks

        if self.results is not None:
            return or_sentence(partial(read_results, self.results))[2]
        engine = self._open()
        parts = or_sentence(lambda: [scores.marks for scores in scores_of(engine) if len(scores.marks)])
        return pd.concat(parts, ignore_index=True) if parts else empty_marks()

    def _rows(self) -> pd.DataFrame:
        from scorer.check_list import read_checks, with_checks
        from scorer.fruit_rows import rows_of_tables
        from scorer.read_results import read_results
        from scorer.records.fruit import season_fruit

        if self.results is None:
            return or_sentence(partial(season_fruit, self._open()))
        rows = rows_of_tables(*or_sentence(partial(read_results, self.results)))
        if not self.checked:
            return rows
        checks = or_usage(partial(read_checks, self.checked))
        return or_usage(partial(with_checks, rows, checks))

    def _open(self) -> Engine:
        from scorer.records.database import open_records, records_url

        path = None if self.records in (None, USUAL_PLACE) else Path(str(self.records))
        return or_sentence(lambda: open_records(records_url(path), create=False))


def from_season(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say which season, and hand it a ``Season`` for them."""

    @click.option(
        "--records",
        metavar="FILE",
        is_flag=False,
        flag_value=USUAL_PLACE,
        help="The season's records: this SQLite file, or without FILE the usual place.",
    )
    @click.option("--results", metavar="RESULTS", type=FOLDER, help="Or a folder of plain tables, as --out wrote them.")
    @click.option("--checked", metavar="CSV", type=FILE, help="Fruit checked by eye, with --results.")
    @click.option(
        "--held",
        type=click.Choice(["settled", "any"]),
        default="settled",
        show_default=True,
        help="Fruit that count: photographed 48 h or more after picking, or any.",
    )
    @wraps(command)
    def with_season(
        *, records: str | None, results: Path | None, checked: Path | None, held: str, **others: Any
    ) -> Any:
        if (records is None) == (results is None):
            raise click.UsageError("Give either --records or --results.")
        if checked and results is None:
            raise click.UsageError(
                "--checked goes with --results; into records, checks go by `scorer records checked`."
            )
        return command(season=Season(records, results, checked, held == "any"), **others)

    return with_season
