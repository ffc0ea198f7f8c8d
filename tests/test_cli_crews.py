"""`scorer crews`, `scorer advise` and checks by eye as a manager meets them: from records and from plain tables."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pandas as pd
import pypdf
import pytest

from scorer.csv_tables import CsvTables
from scorer.records.database import open_records, records_url
from scorer.records.keep import keep_score
from scorer.resources import shared_folder
from scorer.score_tables import TrayScore
from tests.drawn_records import batch_into, tray_score
from tests.test_cli import run

PRICES = shared_folder() / "prices" / "example.toml"
CREWS = {"Brolga": 9, "Curlew": 9, "=Quandong": 3}


@pytest.fixture(scope="module")
def scores() -> list[TrayScore]:
    """A season of drawn trays: a bin a day for each crew, in two blocks."""
    made = []
    for crew, bins in CREWS.items():
        for number in range(bins):
            tag = {
                "crew": crew,
                "bin": f"{crew[0]}{number}",
                "block": ("east", "west")[number % 2],
                "cultivar": "Amberglow",
            }
            picked = pd.Timestamp(2026, 1, 12 + number, 6 + number % 4).to_pydatetime()
            made.append(tray_score(f"{crew}_{number}.jpg", picked_at=picked, **tag))
    return made


@pytest.fixture(scope="module")
def results(scores: list[TrayScore], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("results")
    tables = CsvTables(folder)
    for score in scores:
        tables.add(score.photo, score.fruit, score.marks)
    tables.finish()
    return folder


@pytest.fixture
def season(scores: list[TrayScore], tmp_path: Path) -> Path:
    path = tmp_path / "season.sqlite"
    batch = batch_into(open_records(records_url(path)))
    for score in scores:
        keep_score(batch, score.photo, score.fruit, score.marks)
    return path


def pdf_text(path: Path) -> str:
    return " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(path).pages)


def test_figures_come_as_tables_workbook_and_report(results: Path, tmp_path: Path) -> None:
    out = tmp_path / "figures"
    result = run("crews", "--results", results, "--out", out, "--prices", PRICES)
    assert result.exit_code == 0, result.output
    shares = pd.read_csv(out / "shares.csv").set_index("crew")
    assert shares["clusters"].to_dict() == {"'=Quandong": 3, "Brolga": 9, "Curlew": 9}
    assert (shares["low"] <= shares["share"]).all()
    assert (shares["share"] <= shares["high"]).all()
    report = pdf_text(out / "crews.pdf")
    for words in (
        "For coaching; not for pay or discipline on a sample of this size.",
        "Defective fruit",
        "Luck or more",
        "At the same mix of block",
        "What it costs",
        "How the figures are made",
    ):
        assert words in report
    book = openpyxl.load_workbook(io.BytesIO((out / "crews.xlsx").read_bytes()))
    assert {"shares", "against the rest", "costs", "method"} <= set(book.sheetnames)
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)
    names = {cell.value for cell in book["shares"]["A"]}
    assert "=Quandong" in names


def test_records_and_plain_tables_tell_the_same(results: Path, season: Path, tmp_path: Path) -> None:
    for name, source in (("plain", ("--results", results)), ("kept", ("--records", season))):
        result = run("crews", *source, "--out", tmp_path / name)
        assert result.exit_code == 0, result.output
    for table in ("shares.csv", "kinds.csv", "against_the_rest.csv", "standings.csv", "days.csv"):
        assert (tmp_path / "plain" / table).read_text() == (tmp_path / "kept" / table).read_text(), table


def test_an_interval_stands_wherever_a_share_does(results: Path, tmp_path: Path) -> None:
    out = tmp_path / "figures"
    output = run("crews", "--results", results, "--out", out).output
    rows = [line for line in output.splitlines() if line.startswith(("Brolga ", "Curlew "))]
    assert len(rows) == 2
    assert all(" to " in row for row in rows)
    for path in out.glob("*.csv"):
        columns = pd.read_csv(path, nrows=0).columns
        if "share" in columns:
            assert {"low", "high"} <= set(columns) or {"share_low", "share_high"} <= set(columns), path.name


def test_fruit_drawn_to_check_are_filled_in_and_kept_and_move_the_figures(season: Path, tmp_path: Path) -> None:
    out = tmp_path / "figures"
    asked = run("crews", "--records", season, "--out", out, "--to-check", "9", "--seed", "5")
    assert asked.exit_code == 0, asked.output
    assert "9 fruit to check, drawn by lot with seed 5" in asked.output
    listed = pd.read_csv(out / "to_check.csv", dtype="str", keep_default_na=False)
    assert (listed["downgraded"] == "").all()
    listed["downgraded"] = ["yes" if said == "not downgraded" else "no" for said in listed["said"]]
    listed.to_csv(out / "to_check.csv", index=False)
    kept = run("records", "checked", out / "to_check.csv", "--who", "officer 3", "--records", season)
    assert kept.exit_code == 0, kept.output
    assert "9 fruit checked by officer 3 are kept." in kept.output
    run("crews", "--records", season, "--out", tmp_path / "after")
    checked = pd.read_csv(tmp_path / "after" / "checked.csv")
    assert checked["checked"].sum() == 9
    with_list = run("crews", "--records", season, "--checked", out / "to_check.csv", "--out", tmp_path / "wrong")
    assert with_list.exit_code == 2
    assert "scorer records checked" in with_list.output


def test_checks_go_with_plain_tables_as_a_list(results: Path, tmp_path: Path) -> None:
    out = tmp_path / "figures"
    run("crews", "--results", results, "--out", out, "--to-check", "6")
    listed = pd.read_csv(out / "to_check.csv", dtype="str", keep_default_na=False).assign(downgraded="no")
    listed.to_csv(out / "seen.csv", index=False)
    result = run("crews", "--results", results, "--checked", out / "seen.csv", "--out", out)
    assert result.exit_code == 0, result.output
    assert pd.read_csv(out / "checked.csv")["checked"].sum() == 6


def test_a_crew_is_held_against_its_days_before(results: Path, tmp_path: Path) -> None:
    about = ("crews", "--results", results, "--out", tmp_path)
    result = run(*about, "--since", "Brolga=2026-01-16")
    assert result.exit_code == 0, result.output
    assert "Brolga since 2026-01-16" in result.output
    assert run(*about, "--since", "Brolga=Friday").exit_code == 2
    strange = run(*about, "--since", "Wattle=2026-01-16")
    assert strange.exit_code == 1
    assert "There is no crew Wattle among the fruit that count" in strange.output


@pytest.mark.parametrize(("code", "words"), [("en", "Two things to check"), ("es", "Dos cosas para revisar")])
def test_a_sheet_for_each_crew_in_its_language(results: Path, tmp_path: Path, code: str, words: str) -> None:
    out = tmp_path / "sheets.pdf"
    result = run("advise", "--results", results, "--out", out, "--language", code)
    assert result.exit_code == 0, result.output
    pages = [page.extract_text() for page in pypdf.PdfReader(out).pages]
    assert len(pages) == 3
    assert all(words in page for page in pages)


def test_a_sheet_of_one_crew_only(results: Path, tmp_path: Path) -> None:
    out = tmp_path / "sheets.pdf"
    result = run("advise", "--results", results, "--out", out, "--crew", "Curlew")
    assert result.exit_code == 0, result.output
    (page,) = pypdf.PdfReader(out).pages
    assert "Curlew" in page.extract_text()
    assert "Brolga" not in page.extract_text()


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("crews",), 2, "--out"),
        (("crews", "--out", "OUT"), 2, "Give either --records or --results"),
        (("crews", "--results", "RESULTS", "--records", "x.sqlite", "--out", "OUT"), 2, "Give either"),
        (("crews", "--results", "NOTHING", "--out", "OUT"), 1, "There is no photos.csv"),
        (("crews", "--records", "missing.sqlite", "--out", "OUT"), 1, "There are no records"),
        (("crews", "--results", "EARLY", "--out", "OUT"), 1, "There is nothing to make figures from"),
        (("crews", "--results", "RESULTS", "--out", "OUT", "--target", "5"), 2, "is not in the range"),
        (("advise", "--results", "EARLY", "--out", "OUT.pdf"), 1, "There is nothing to make sheets from"),
        (("advise", "--results", "RESULTS", "--out", "OUT.pdf", "--language", "xx"), 2, "xx"),
        (
            ("advise", "--results", "RESULTS", "--out", "OUT.pdf", "--crew", "Wattle"),
            2,
            "no crew Wattle",
        ),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_what_cannot_be_done_is_one_sentence(
    results: Path, tmp_path: Path, arguments: tuple[str, ...], code: int, said: str
) -> None:
    early = tmp_path / "early"
    early.mkdir()
    for table in results.glob("*.csv"):
        (early / table.name).write_text(table.read_text().replace(",settled\n", ",early\n"))
    places = {
        "RESULTS": results,
        "EARLY": early,
        "NOTHING": tmp_path,
        "OUT": tmp_path / "out",
        "OUT.pdf": tmp_path / "out.pdf",
    }
    result = run(*(places.get(one, one) for one in arguments))
    assert result.exit_code == code, result.output
    assert said in " ".join(result.output.split())
    assert "Traceback" not in result.output
    assert not (tmp_path / "out.pdf").exists()


def test_a_folder_that_cannot_be_made_is_one_sentence(results: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = run("crews", "--results", results, "--out", tmp_path / "file" / "figures")
    assert result.exit_code == 1
    assert "cannot be made" in result.output
