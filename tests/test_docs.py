"""The guides name everything that there is: commands, options, columns, modules, dependencies."""

from __future__ import annotations

import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from scorer.cli import main
from scorer.limits import available_limits
from scorer.marks.measure import MEASURES
from scorer.score_tables import FRUIT_COLUMNS, KINDS, MARK_COLUMNS, PHOTO_COLUMNS, PHOTO_VERDICTS, UNSURE
from scorer.verdict import VERDICTS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands(group: click.Group, path: str = "scorer") -> Iterator[tuple[str, click.Command]]:
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from commands(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command


def table_cells(text: str, heading: str) -> set[str]:
    """What stands in backquotes in the first column of the table under a bold heading."""
    start = text.index(f"**`{heading}`")
    rows = re.search(r"(\|.+\n)+", text[start:])
    assert rows is not None
    return {name for row in rows.group().splitlines() for name in re.findall(r"`([^`]+)`", row.split("|")[1])}


@pytest.mark.parametrize(
    ("path", "command"), list(commands(main)), ids=lambda value: value if isinstance(value, str) else ""
)
def test_every_command_and_option_is_in_the_readme(path: str, command: click.Command) -> None:
    assert path in README
    for option in (each for each in command.params if isinstance(each, click.Option)):
        for flag in option.opts:
            assert re.search(rf"`[^`]*{re.escape(flag)}\b", README), f"{path} {flag}"


def test_the_readme_names_no_command_or_option_that_is_not_there() -> None:
    known = {flag for _, command in commands(main) for each in command.params for flag in each.opts}
    known |= {"--help", "--version"}
    blocks = r"<!-- command: \w+ -->\n```bash\n.+\n```"  # those two are held by tests/test_install.py
    said = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", re.sub(blocks, "", README)))
    assert said <= known
    paths = {path for path, _ in commands(main)}
    assert set(re.findall(r"`(scorer (?:print|rebuild|records) \w+)", README)) <= paths


@pytest.mark.parametrize(
    ("table", "columns"),
    [("photos.csv", PHOTO_COLUMNS), ("fruit.csv", FRUIT_COLUMNS), ("marks.csv", (*MARK_COLUMNS, "because", *MEASURES))],
)
def test_every_column_of_the_results_is_explained(table: str, columns: tuple[str, ...]) -> None:
    explained = table_cells(README, table)
    assert sorted(set(columns) - explained) == []
    assert sorted(explained - set(columns)) == []


def test_the_words_in_the_tables_are_explained() -> None:
    for word in (*KINDS, UNSURE, *PHOTO_VERDICTS, *VERDICTS, *available_limits()):
        assert f"`{word}`" in README, word


def test_the_readme_starts_with_the_job_in_one_paragraph() -> None:
    head = README.split("\n## ", 1)[0].strip().split("\n\n")
    assert head[0].startswith("# ")
    assert len(head) == 2


def test_every_module_is_in_the_developers_guide_and_no_other() -> None:
    listed = subprocess.run(["git", "ls-files", "scorer"], cwd=ROOT, capture_output=True, text=True, check=True)
    there = {
        name
        for name in listed.stdout.splitlines()
        if name.endswith(".py") and not name.endswith("__init__.py") and (ROOT / name).exists()
    }
    assert there
    assert set(re.findall(r"`(scorer/[\w/]+\.py)`", DEVELOPERS)) == there
    folders = {f"{Path(name).parent.as_posix()}/" for name in there if name.count("/") > 1}
    assert folders <= set(re.findall(r"`(scorer/[\w/]+/)`", DEVELOPERS))


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *(name for extra in project["optional-dependencies"].values() for name in extra)]
    table = DEVELOPERS.split("## Dependencies", 1)[1].split("\n## ", 1)[0]
    reasoned = {
        name for row in table.splitlines() if row.startswith("|") for name in row.split("|")[1].strip().split(", ")
    }
    assert {re.split(r"[<>=~!\[]", name)[0] for name in asked} == reasoned - {"package", "---"}


def test_links_between_the_guides_lead_somewhere() -> None:
    for guide in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", guide):
            assert (ROOT / target).exists(), target
