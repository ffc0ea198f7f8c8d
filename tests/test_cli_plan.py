"""`scorer plan`: sample sizes, the check at the door, single samples and pick lists as a person meets them."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from tests.test_cli import run

SHIFT = ("--start", "2026-03-14T06:00", "--end", "2026-03-14T14:00")


def test_single_fruit_to_tell_5_from_10_percent_are_those_of_the_textbook() -> None:
    """435 per group, two-sided 5 %, power 80 %: normal formula with pooled term (Fleiss, Levin and Paik 2003, 4.2)."""
    result = run("plan", "size", "--tell", "0.05", "--from", "0.10", "--icc", "0", "--fruit-per-bin", "1")
    assert result.exit_code == 0, result.output
    assert "1 fruit from each of 435 bins of each crew" in result.output


def test_the_half_width_of_a_coin_is_that_of_the_textbook() -> None:
    """Within 5 points of one half at 95 %: 385 fruit by z^2 p q / d^2, 4 fewer by Wilson's (n + z^2 in its place)."""
    result = run("plan", "size", "--share", "0.5", "--within", "0.05", "--icc", "0", "--fruit-per-bin", "1")
    assert "from each of 381 bins" in result.output


def test_alike_fruit_take_more_of_them() -> None:
    def bins(icc: str) -> int:
        output = run("plan", "size", "--tell", "0.05", "--from", "0.10", "--icc", icc, "--fruit-per-bin", "10").output
        found = re.search(r"each of (\d+) bins", output)
        assert found is not None
        return int(found.group(1))

    assert bins("0") < bins("0.05") < bins("0.1")


def test_the_door_says_after_each_tray_what_is_meant(tmp_path: Path) -> None:
    about = ("plan", "door", "--good", "0.03", "--bad", "0.10", "--icc", "0.03")
    whole = run(*about)
    assert whole.exit_code == 0, whole.output
    assert "Bad fruit in all, after each tray" in whole.output
    assert "carry on" in run(*about, "--seen", "0,1").output
    assert "stop, good" in run(*about, "--seen", "0,0,0,0").output
    assert "stop, bad" in run(*about, "--seen", "3,3").output


def test_a_small_lot_takes_fewer_fruit_than_a_large_one() -> None:
    def fruit(*more: str) -> int:
        output = run("plan", "lot", "--good", "0.02", "--bad", "0.10", *more).output
        found = re.search(r"Look at (\d+) fruit", output)
        assert found is not None
        return int(found.group(1))

    assert fruit("--lot", "200") < fruit()


def test_trays_make_a_single_sample_less_sure_and_it_is_said() -> None:
    output = run("plan", "lot", "--good", "0.02", "--bad", "0.10", "--fruit-per-bin", "10", "--icc", "0.1").output
    row = next(line.split() for line in output.splitlines() if line.strip().startswith("10.0"))
    passed, with_trays = float(row[1]), float(row[2])
    assert with_trays > passed, "of bad deliveries more pass"


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_the_curve_is_drawn_as_the_ending_says(tmp_path: Path, ending: str) -> None:
    chart = tmp_path / f"passing.{ending}"
    result = run("plan", "lot", "--good", "0.02", "--bad", "0.10", "--chart", chart)
    assert result.exit_code == 0, result.output
    begins = {"png": b"\x89PNG", "svg": b"<svg", "pdf": b"%PDF"}
    assert chart.read_bytes().startswith(begins[ending])
    if ending == "svg":
        assert "good, shall pass: 96 of 100 do" in chart.read_text()


def test_a_picture_of_an_unknown_kind_is_one_sentence(tmp_path: Path) -> None:
    result = run("plan", "lot", "--good", "0.02", "--bad", "0.10", "--chart", tmp_path / "passing.gif")
    assert result.exit_code == 1
    assert "end its name in .png, .svg, .pdf" in result.output
    assert "Traceback" not in result.output


def test_the_printed_seed_draws_the_same_list_again(tmp_path: Path) -> None:
    first = run("plan", "picks", "--bins", "40", "--pick", "6", *SHIFT)
    assert first.exit_code == 0, first.output
    seed = re.search(r"seed (\d+)", first.output)
    assert seed is not None
    assert run("plan", "picks", "--bins", "40", "--pick", "6", *SHIFT, "--seed", seed.group(1)).output == first.output


def test_picks_from_a_list_of_bins_are_written_as_csv(tmp_path: Path) -> None:
    bins, out = tmp_path / "bins.csv", tmp_path / "picks.csv"
    rows = [f"{crew},{crew[0]}{n}" for crew in ("Bowerbird", "Curlew") for n in range(10)]
    bins.write_text("\n".join(["crew,bin", *rows]))
    result = run("plan", "picks", "--from", bins, "--pick", "4", "--each-crew-alike", *SHIFT, "--out", out)
    assert result.exit_code == 0, result.output
    written = pd.read_csv(out)
    assert written.groupby("crew")["bin"].nunique().to_dict() == {"Bowerbird": 2, "Curlew": 2}
    assert set(written["layer"]) == {"top", "middle", "bottom"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("size",), "Give either --share and --within, or --tell and --from"),
        (("size", "--share", "0.1"), "Give either"),
        (("size", "--share", "0.1", "--within", "0.02", "--target"), "--target goes with"),
        (("size", "--tell", "0.1", "--from", "0.1"), "no sample tells alike from alike"),
        (("size", "--tell", "5", "--from", "10"), "is not in the range"),
        (("size", "--tell", "0.05", "--from", "0.1", "--bins", "3"), "must be at least 1 and the fewest not above"),
        (("size", "--share", "0.1", "--within", "0.02", "--minutes-per-bin", "-1"), "minutes per bin must be 0"),
        (("door", "--good", "0.1", "--bad", "0.05"), "0.05"),
        (("door", "--good", "0.03", "--bad", "0.1", "--seen", "1,two"), "not a list of counts"),
        (("door", "--good", "0.03", "--bad", "0.1", "--seen", "11"), "0 to the 10 fruit"),
        (("lot", "--good", "0.02", "--bad", "0.021"), "no plan of up to"),
        (("picks", "--pick", "3", *SHIFT), "Give either --bins or a list"),
        (("picks", "--bins", "2", "--pick", "3", *SHIFT), "must be 1 to the 2 there are"),
        (("picks", "--bins", "9", "--pick", "3", *SHIFT[:3], "2026-03-14T05:00"), "shift must last"),
        (("picks", "--bins", "9", "--pick", "3", "--start", "morning", *SHIFT[2:]), "morning"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_question_that_cannot_be_answered_is_one_sentence(arguments: tuple[str, ...], said: str) -> None:
    result = run("plan", *arguments)
    assert result.exit_code == 2
    assert said.lower() in " ".join(result.output.split()).lower()
    assert "Traceback" not in result.output


def test_a_list_without_names_of_bins_is_one_sentence(tmp_path: Path) -> None:
    bins = tmp_path / "bins.csv"
    bins.write_text("crew,bin\nBowerbird,\n")
    result = run("plan", "picks", "--from", bins, "--pick", "1", *SHIFT)
    assert result.exit_code == 2
    assert "bins.csv" in result.output
