"""The command: its words, its tables, its exit codes."""

from __future__ import annotations

import io
import os
import pty
import select
import subprocess
import sys
from pathlib import Path

import click
import pandas as pd
import pypdf
import pytest
from click.testing import CliRunner, Result

from scorer.batch.run import BatchReport
from scorer.batch.task import Outcome
from scorer.cli import main
from scorer.console import progress_of, show_report
from scorer.crew_summary import FAIR_USE, TOO_FEW, CrewTally
from scorer.score_tables import TrayScore, empty_fruit
from scorer.tag import Tag
from tests.drawn_trays import score_drawing, write_drawing

POINTS_PER_MM = 72 / 25.4


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def commands(group: click.Group, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for name, command in group.commands.items():
        here = (*path, name)
        found += [here, *(commands(command, here) if isinstance(command, click.Group) else [])]
    return found


@pytest.mark.parametrize("path", commands(main), ids=" ".join)
def test_every_command_and_option_is_explained(path: tuple[str, ...]) -> None:
    result = run(*path, "--help")
    assert result.exit_code == 0
    command: click.Command = main
    for name in path:
        assert isinstance(command, click.Group)
        command = command.commands[name]
    assert command.help
    assert all(option.help for option in command.params if isinstance(option, click.Option))


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom scorer.cli import main\nmain(['--help'], standalone_mode=False)\n"
        "heavy = {'cv2', 'pandas', 'sklearn', 'numpy', 'sqlalchemy', 'alembic', 'pyarrow'}\n"
        "print(*(heavy & set(sys.modules)), file=sys.stderr)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stderr.strip() == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Missing argument"),
        (("photos",), "--out RESULTS"),
        (("photos", "--records", "r.sqlite", "--masks"), "give --out"),
        (("photos", "photos", "--out", "out", "--watch"), "that folder alone"),
        (("photos", "--out", "out", "--zone", "Moon/Sea"), "no time zone Moon/Sea"),
        (("photos", "--out", "out", "--held", "ever"), "--held"),
        (("missing", "--out", "out"), "does not exist"),
        (("photos", "--out", "out", "--jobs", "0"), "--jobs"),
        (("photos", "--out", "out", "--manifest", "missing.csv"), "does not exist"),
        (("photos", "--out", "out", "--manifest", "odd.csv"), "odd.csv"),
        (("photos", "--out", "out", "--limits", "moon"), "moon"),
        (("empty", "--out", "out"), "no photos"),
        (("photos", "--out", "out", "--speed", "9"), "No such option"),
    ],
)
def test_bad_usage_is_exit_code_2_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    write_drawing(tmp_path / "photos" / "tray_1.jpg")
    (tmp_path / "empty").mkdir()
    (tmp_path / "odd.csv").write_text("weight\n3\n")
    result = run("score", *arguments)
    assert result.exit_code == 2
    assert words in result.output
    assert "Traceback" not in result.output
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path: Path) -> None:
    write_drawing(tmp_path / "photos" / "tray_1.jpg")
    (tmp_path / "file").write_text("")
    result = run("score", tmp_path / "photos", "--out", tmp_path / "file" / "out")
    assert result.exit_code == 1
    assert "cannot be made" in result.output


def test_photos_are_scored_from_file_to_tables_and_the_bad_one_is_told(tmp_path: Path) -> None:
    """The whole command with the shipped model, on a drawn tray and on a text that calls itself a photo."""
    write_drawing(tmp_path / "photos" / "tray_1.jpg", (1600, 1200))
    (tmp_path / "photos" / "notes.jpg").write_text("Meeting notes")
    out = tmp_path / "out"
    result = run("score", tmp_path / "photos", "--out", out, "--masks", "--pictures")
    assert result.exit_code == 1, result.output
    assert "1/2 notes.jpg: refused: notes.jpg is not a picture" in result.output
    assert "2/2 tray_1.jpg: " in result.output
    assert FAIR_USE in result.output.replace("\n", " ")
    photos = pd.read_csv(out / "photos.csv")
    assert photos["photo"].tolist() == ["notes.jpg", "tray_1.jpg"]
    assert photos["verdict"].iloc[0] == "refused"
    assert photos["verdict"].iloc[1] != "refused", photos["reasons"].iloc[1]
    assert sorted(path.name for path in (out / "masks").iterdir()) == ["tray_1.fruit.png", "tray_1.marks.png"]
    assert (out / "pictures" / "tray_1.jpg").exists()
    assert not (out / "errors.log").exists()
    good = run("score", tmp_path / "photos" / "tray_1.jpg", "--out", tmp_path / "again")
    assert good.exit_code == 0, good.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("samples",), "Missing option '--out'"),
        (("samples", "--out", "out", "--seed", "-1"), "--seed"),
        (("model", "--out", "out", "--work", "work"), "Missing option '--trays'"),
        (("model", "--out", "out", "--work", "work", "--trays", "3"), "--trays"),
        (("model", "--out", "out", "--work", "work", "--trays", "10", "--jobs", "0"), "--jobs"),
    ],
)
def test_rebuilding_starts_only_when_it_is_well_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("rebuild", *arguments)
    assert result.exit_code == 2
    assert words in result.output
    assert list(tmp_path.iterdir()) == []


def test_a_folder_for_samples_that_cannot_be_made_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = run("rebuild", "samples", "--out", tmp_path / "file" / "samples")
    assert result.exit_code == 1
    assert "cannot be written" in result.output
    assert "Traceback" not in result.output


def report_of(score: TrayScore) -> BatchReport:
    crews = CrewTally()
    crews.add(score.photo, score.fruit)
    return BatchReport(crews, score.fruit, photos=1, notes=("A note.",))


def test_the_tables_hold_every_fruit_and_crew(capsys: pytest.CaptureFixture[str]) -> None:
    score = score_drawing("tray_1.jpg", tag=Tag(crew="Heron [bold]", bin="H-01"))
    show_report(report_of(score), "tables in out", "shed")
    lines = capsys.readouterr().out.splitlines()
    fruit = [line.split() for line in lines if line.startswith("tray_1.jpg")]
    assert [row[4] for row in fruit] == ["1", "2", "3", "4", "5", "6"]
    assert [" ".join(row[5:9]) for row in fruit] == ["105 x 78 1.2"] * 6
    (crew,) = [line for line in lines if line.startswith("Heron [bold]") and "%" in line]
    assert crew.split()[2:9] == ["1", "1", "0", "0", "6", "2", "33"]
    assert crew.endswith(TOO_FEW)
    assert "A note." in lines
    assert "1 photos scored; tables in out." in lines


def test_an_empty_report_is_still_told(capsys: pytest.CaptureFixture[str]) -> None:
    show_report(BatchReport(CrewTally(), empty_fruit()), "tables in out", "shed")
    assert "0 photos scored" in capsys.readouterr().out


def outcome(name: str) -> Outcome:
    score = score_drawing(name)
    return Outcome(score.photo, score.fruit, score.marks)


def test_progress_is_plain_lines_where_there_is_no_terminal() -> None:
    stream = io.StringIO()
    with progress_of(stream) as progress:
        progress.found(2)
        progress.done(outcome("tray_1.jpg"))
        progress.done(outcome("tray_2.jpg"))
    assert stream.getvalue() == ("1/2 tray_1.jpg: good, 6 fruit, 6 marks\n2/2 tray_2.jpg: good, 6 fruit, 6 marks\n")


def test_progress_is_a_bar_with_the_time_left_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a real pseudo-terminal."""
    monkeypatch.setenv("TERM", "xterm")
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "w") as stream, progress_of(stream) as progress:
        progress.found(2)
        for number in (1, 2):
            progress.done(outcome(f"tray_{number}.jpg"))
    shown = ""
    while "2/2" not in shown or "0:00:00" not in shown:  # a terminal gives what it got in parts
        assert select.select([ours], [], [], 10)[0], shown
        shown += os.read(ours, 100_000).decode()
    os.close(ours)
    assert "2/2" in shown
    assert "0:00:00" in shown
    assert "tray_1.jpg" not in shown


@pytest.mark.parametrize(("paper", "width_mm", "height_mm"), [("a4", 210, 297), ("letter", 215.9, 279.4)])
def test_the_card_is_printed_on_the_paper_asked_for(
    tmp_path: Path, paper: str, width_mm: float, height_mm: float
) -> None:
    """Paper sizes: ISO 216, and 8.5 x 11 inches."""
    result = run("print", "card", "--out", tmp_path / "card.pdf", "--paper", paper)
    assert result.exit_code == 0, result.output
    assert "100 %" in result.output
    (page,) = pypdf.PdfReader(tmp_path / "card.pdf").pages
    size = [float(side) / POINTS_PER_MM for side in page.mediabox[2:]]
    assert size == pytest.approx([width_mm, height_mm], abs=0.1)


def test_tags_are_printed_from_options_and_from_a_list(tmp_path: Path) -> None:
    options = ("--crew", "Heron", "--bin", "H-01", "--bin", "H-02", "--picked", "2026-03-14T09:30")
    result = run("print", "tags", *options, "--method", "snips", "--side", "A", "--out", tmp_path / "a.pdf")
    assert result.exit_code == 0, result.output
    text = pypdf.PdfReader(tmp_path / "a.pdf").pages[0].extract_text()
    assert text.count("Heron") >= 2
    assert "H-02" in text
    (tmp_path / "tags.csv").write_text("crew,bin\nIbis,I-1\n")
    result = run("print", "tags", "--from", tmp_path / "tags.csv", "--out", tmp_path / "b.pdf")
    assert result.exit_code == 0, result.output
    assert "Ibis" in pypdf.PdfReader(tmp_path / "b.pdf").pages[0].extract_text()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "either a list"),
        (("--crew", "x", "--from", "tags.csv"), "either a list"),
        (("--crew", "x", "--picked", "yesterday"), "yesterday"),
        (("--method", "snips"), "crew or a bin"),
        (("--from", "odd.csv"), "odd.csv"),
    ],
)
def test_tags_that_cannot_be_meant_are_exit_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tags.csv").write_text("crew,bin\nIbis,I-1\n")
    (tmp_path / "odd.csv").write_text("weight\n3\n")
    result = run("print", "tags", *options, "--out", "tags.pdf")
    assert result.exit_code == 2
    assert words in result.output
    assert not (tmp_path / "tags.pdf").exists()


def test_the_package_runs_as_a_module() -> None:
    result = subprocess.run([sys.executable, "-m", "scorer", "--version"], capture_output=True, text=True, check=True)
    assert result.stdout.startswith("scorer, version ")
