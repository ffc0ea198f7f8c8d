"""A folder of crew figures: CSV for programs, a workbook for spreadsheets, a PDF to read."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pandas as pd

from scorer.crew_report.figures import CrewFigures
from scorer.crew_report.method import METHODS
from scorer.crew_report.paper import report_pdf
from scorer.crew_report.sections import sections
from scorer.crew_report.workbook import SheetOfFigures, workbook
from scorer.crew_summary import FAIR_USE, FOR_COACHING
from scorer.csv_tables import table_as_csv
from scorer.errors import OutputError
from scorer.results import reason_of, write_whole

WORKBOOK: Final = "crews.xlsx"
REPORT: Final = "crews.pdf"


def figure_tables(figures: CrewFigures) -> dict[str, pd.DataFrame]:
    """All figures as plain tables, by the name of their file and sheet."""
    days = [chart.table.assign(crew=name) for name, chart in figures.days.items()]
    mixes = [mix.table.assign(held=" and ".join(mix.held)) for mix in figures.standardised]
    tables = {
        "shares": figures.shares,
        "kinds": figures.by_kind,
        "breakdown": figures.by,
        "brown": figures.brown,
        "against_the_rest": figures.comparison,
        "standings": figures.standings.table,
        "days": _crew_first(pd.concat(days, ignore_index=True)),
        "same_mix": pd.concat(mixes, ignore_index=True),
        "checked": figures.corrections,
    }
    if figures.costs is not None and figures.savings is not None:
        tables |= {"costs": figures.costs, "savings": figures.savings}
    return tables


def write_figures(figures: CrewFigures, folder: Path, *, paper: str = "A4") -> list[Path]:
    """Write every table as CSV, all of them as one workbook, and the report; each file whole or not at all.

    Returns
    -------
    The files written, the report first.

    Raises
    ------
    OutputError : the folder cannot be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder} cannot be made ({reason_of(error)}); choose another folder.") from error
    tables = figure_tables(figures)
    words = [FOR_COACHING, figures.counted.sentence]
    sheets = [SheetOfFigures(name.replace("_", " "), table, words) for name, table in tables.items()]
    sheets.append(SheetOfFigures("method", METHODS, [FOR_COACHING, FAIR_USE]))
    report = report_pdf("Crew figures", _period(figures), [FOR_COACHING, FAIR_USE], sections(figures), paper=paper)
    files = {REPORT: report, WORKBOOK: workbook(sheets)}
    files |= {f"{name}.csv": table_as_csv(table).encode() for name, table in tables.items()}
    for name, data in files.items():
        write_whole(folder / name, data)
    return [folder / name for name in files]


def _period(figures: CrewFigures) -> str:
    days = figures.counted.fruit["day"].dropna()
    if days.empty:
        return "Days of picking are not known."
    first, last = days.min(), days.max()
    return f"Picked on {first}." if first == last else f"Picked from {first} to {last}."


def _crew_first(table: pd.DataFrame) -> pd.DataFrame:
    return table[["crew", *(name for name in table.columns if name != "crew")]]
