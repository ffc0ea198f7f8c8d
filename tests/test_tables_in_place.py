"""Limit and price tables changed in place: the readers of scoring are the judge, and nothing is ever lost."""

from __future__ import annotations

import json
import multiprocessing
import shutil
import tempfile
import tomllib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from scorer.access.roles import Person, Role
from scorer.crews.prices import load_prices
from scorer.errors import AccessError, LimitsError, PricesError, ScorerError, TableError
from scorer.limits import available_limits, load_limits
from scorer.resources import shared_folder
from scorer.tables_in_place.edit import (
    Editable,
    as_frames,
    begin_own,
    changed,
    history,
    path_of,
    redo,
    tables_there,
    text_of,
    undo,
    what_differs,
)
from scorer.tables_in_place.names import LIMITS, PRICES, TableName, tables_folder

ANALYST = Person("Jarrah", frozenset({Role.ANALYST}))
OTHER = Person("Wattle", frozenset({Role.ANALYST}))
MANAGER = Person("Banksia", frozenset({Role.MANAGER}))
OFFICER = Person("Acacia", frozenset({Role.OFFICER}))
BUYER = TableName(LIMITS, "buyer")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tables_folder(tmp_path / "season.sqlite")


def own_limits(folder: Path, source: str = "cxs_184") -> Editable:
    return begin_own(ANALYST, folder, TableName(LIMITS, source), "buyer")


def own_prices(folder: Path) -> Editable:
    return begin_own(ANALYST, folder, TableName(PRICES, "example"), "ours")


def with_area(
    frames: Mapping[str, pd.DataFrame], of_class: str, size: str, area_cm2: object
) -> dict[str, pd.DataFrame]:
    areas = frames["areas"].copy()
    areas["area_cm2"] = areas["area_cm2"].astype(object)
    areas.loc[(areas["class"] == of_class) & (areas["size"] == size), "area_cm2"] = area_cm2
    return {**frames, "areas": areas}


def with_row(frame: pd.DataFrame, **values: Any) -> pd.DataFrame:
    """A row added as an editor adds it: what nobody filled in is a gap."""
    return pd.concat([frame.astype(object), pd.DataFrame([values]).astype(object)], ignore_index=True)


def bytes_there(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_tables_lie_beside_the_records(tmp_path: Path) -> None:
    assert tables_folder(tmp_path / "season.sqlite") == tmp_path / "season.tables"


@pytest.mark.parametrize("name", available_limits())
def test_each_shipped_table_comes_back_from_its_frames_as_it_was(folder: Path, name: str) -> None:
    table = own_limits(folder, name)
    assert load_limits(path_of(folder, BUYER)) == load_limits(name)
    with pytest.raises(TableError, match="Nothing differs from version 1"):
        changed(ANALYST, folder, BUYER, table.frames, "no reason", basis=1)


def test_frames_have_one_row_to_a_value_with_units_in_the_columns(folder: Path) -> None:
    frames = own_limits(folder).frames
    assert list(frames["areas"].columns) == ["class", "size", "area_cm2"]
    # CXS 184-1993: from memory, as the table itself says
    assert frames["areas"].values.tolist()[:3] == [["I", "A", 3.0], ["I", "B", 4.0], ["I", "C", 5.0]]
    assert frames["sizes"].values.tolist()[0] == ["A", 200, 350]
    assert frames["wounds"].set_index("kind")["from_mm"].to_dict() == {"cut": 5.0, "stem_puncture": 3.0}
    money = own_prices(folder).frames["money"]
    assert money.to_dict("records") == [{"currency": "dollars", "fruit_per_carton": 16.0}]


def test_a_changed_value_is_what_the_reader_reads_and_comments_stay(folder: Path) -> None:
    table = own_limits(folder)
    before = path_of(folder, BUYER).read_text(encoding="utf-8")
    version = changed(ANALYST, folder, BUYER, with_area(table.frames, "I", "B", 2.5), "buyer wants it", basis=1)
    assert version == 2
    assert load_limits(path_of(folder, BUYER)).classes[0].area_cm2 == {"A": 3.0, "B": 2.5, "C": 5.0}
    assert path_of(folder, BUYER).read_text(encoding="utf-8") == before.replace("B = 4,", "B = 2.5,", 1)
    assert "# Stem puncture: about the thickness" in before


def test_differences_are_told_in_words(folder: Path) -> None:
    table = own_limits(folder)
    frames = with_area(table.frames, "I", "B", 2.5)
    frames["wounds"] = frames["wounds"][frames["wounds"]["kind"] != "cut"]
    frames["sizes"] = frames["sizes"].assign(to_g=[350, 550, 820])
    changed(ANALYST, folder, BUYER, frames, "a new buyer", basis=1)
    told = what_differs(ANALYST, folder, BUYER, 1, 2)
    assert told == [
        "size C: 551 to 800 -> 551 to 820 g",
        "class I, size B: 4 -> 2.5 cm2",
        "cut keeps out from: gone, was 5 mm",
    ]
    assert what_differs(ANALYST, folder, BUYER, 2, 1)[-1] == "cut keeps out from: new, 5 mm"
    assert history(ANALYST, folder, BUYER)["differences"].tolist() == ["; ".join(told), ""]


def test_prices_are_changed_as_limits_are(folder: Path) -> None:
    table = own_prices(folder)
    frames = dict(table.frames)
    frames["cartons"] = with_row(frames["cartons"], crew="Brolga", cartons=1200.0)
    frames["grades"] = frames["grades"].assign(price_per_carton=[26.0, 18.5, 5.0])
    changed(ANALYST, folder, table.which, frames, "cartons are counted", basis=1)
    prices = load_prices(path_of(folder, table.which))
    assert prices.cartons == {"Brolga": 1200.0}
    assert prices.downgraded_per_carton == pytest.approx(0.7 * 18.5 + 0.3 * 5)
    assert what_differs(ANALYST, folder, table.which, 1, 2) == [
        "carton of second: 17 -> 18.5 dollars",
        "cartons of Brolga: new, 1200",
    ]
    assert "# What a carton brings" in path_of(folder, table.which).read_text(encoding="utf-8")


def test_classes_and_sizes_can_be_added(folder: Path) -> None:
    table = own_limits(folder, "shed")
    frames = dict(table.frames)
    frames["classes"] = with_row(frames["classes"], **{"class": "third", "words": "third class"})
    frames["sizes"] = pd.DataFrame({"size": ["S", "L"], "from_g": [100, 301], "to_g": [300, None]})
    frames["known"] = frames["known"].assign(known="our own")
    sizes = [(name, size, area) for area, name in enumerate(("first", "second", "third"), 2) for size in "SL"]
    frames["areas"] = pd.DataFrame(sizes, columns=["class", "size", "area_cm2"])
    changed(ANALYST, folder, BUYER, frames, "sizes count here", basis=1)
    limits = load_limits(path_of(folder, BUYER))
    assert [(size.code, size.from_g, size.to_g) for size in limits.size_codes] == [("S", 100, 300), ("L", 301, None)]
    assert [each.area_cm2 for each in limits.classes] == [{"S": area, "L": area} for area in (2.0, 3.0, 4.0)]


def test_rows_left_empty_in_an_editor_say_nothing(folder: Path) -> None:
    table = own_limits(folder)
    frames = {
        **with_area(table.frames, "I", "A", 2.0),
        "wounds": with_row(table.frames["wounds"], kind=None, from_mm=np.nan),
    }
    changed(ANALYST, folder, BUYER, frames, "stricter", basis=1)
    assert load_limits(path_of(folder, BUYER)).open_wounds_mm == {"cut": 5.0, "stem_puncture": 3.0}


@pytest.mark.parametrize(
    ("subject", "part", "change", "said"),
    [
        (LIMITS, "areas", lambda f: f.assign(area_cm2=-1.0), "classes I, area_cm2 A: a number of 0 or more"),
        (LIMITS, "areas", lambda f: f.assign(area_cm2=np.inf), "classes I, area_cm2 A: a number of 0 or more"),
        (LIMITS, "areas", lambda f: f.assign(area_cm2="much"), "a number of 0 or more is expected, found 'much'"),
        (LIMITS, "areas", lambda f: f[::-1].assign(area_cm2=f["area_cm2"].to_numpy()), "less than the better class"),
        (LIMITS, "areas", lambda f: f.drop(index=1), "one area for each of the size codes A, B, C"),
        (LIMITS, "areas", lambda f: f.assign(area_cm2=np.nan), "one area for each of the size codes A, B, C"),
        (LIMITS, "areas", lambda f: with_row(f, **dict(f.iloc[0])), "I A stands twice in areas"),
        (
            LIMITS,
            "areas",
            lambda f: with_row(f, **{"class": "X", "size": "A", "area_cm2": 9}),
            "'X', which is no class",
        ),
        (LIMITS, "sizes", lambda f: f.assign(from_g=[200, 352, 551]), "does not begin 1 g above the end of A"),
        (LIMITS, "sizes", lambda f: f.assign(from_g=[199.5, 351, 551]), "masses are whole grams"),
        (LIMITS, "classes", lambda f: f.assign(words=None), "words: a text is expected"),
        (LIMITS, "classes", lambda f: f.iloc[:0], "is no class; add the class"),
        (LIMITS, "wounds", lambda f: f.assign(kind=["bruise", "cut"]), "only cut_mm, stem_puncture_mm are known"),
        (LIMITS, "wounds", lambda f: f.assign(from_mm=None), "a number of 0 or more is expected"),
        (LIMITS, "known", lambda f: f.assign(known="sure"), "say how these values are known"),
        (LIMITS, "about", lambda f: f.assign(text="  "), "name: a text is expected"),
        (PRICES, "money", lambda f: f.assign(fruit_per_carton=0.0), "fruit_per_carton: must be above 0"),
        (PRICES, "money", lambda f: f.iloc[:0], "currency: missing"),
        (PRICES, "money", lambda f: with_row(f, currency="cents"), "stands twice in money"),
        (PRICES, "grades", lambda f: f.assign(for_sound_fruit=False), "0 grades are for sound fruit"),
        (PRICES, "grades", lambda f: f.assign(for_sound_fruit=True), "3 grades are for sound fruit"),
        (PRICES, "grades", lambda f: f.assign(part_of_downgraded=[None, 0.7, 0.7]), "the parts must sum to 1"),
        (PRICES, "grades", lambda f: f.assign(price_per_carton=[26.0, -1.0, 5.0]), "second: must be at least 0"),
        (PRICES, "cartons", lambda f: with_row(f, crew="Brolga", cartons=None), "cartons.Brolga: must be a number"),
    ],
)
def test_what_the_readers_refuse_is_one_sentence_and_nothing_is_touched(
    folder: Path, subject: str, part: str, change: Callable[[pd.DataFrame], pd.DataFrame], said: str
) -> None:
    table = own_limits(folder) if subject == LIMITS else own_prices(folder)
    before = bytes_there(folder)
    with pytest.raises((LimitsError, PricesError, TableError)) as refused:
        changed(ANALYST, folder, table.which, {**table.frames, part: change(table.frames[part])}, "a try", basis=1)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
    assert bytes_there(folder) == before


AREAS = st.floats(0, 1e4).map(lambda area: round(area, 3))


@given(st.lists(st.tuples(AREAS, AREAS, AREAS), min_size=1, max_size=4), st.integers(1, 400))
@settings(max_examples=25)
def test_whatever_areas_and_masses_are_edited_the_reader_reads_the_same(
    areas: list[tuple[float, float, float]], first_g: int
) -> None:
    """Classes sorted from best to lowest, sizes without gaps: all that the reader asks for."""
    by_class = np.sort(np.array(areas), axis=0)
    names = [f"class {number}" for number in range(len(areas))]
    starts = [first_g, first_g + 150, first_g + 400]
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        table = own_limits(folder)
        frames = dict(table.frames)
        frames["classes"] = pd.DataFrame({"class": names, "words": names})
        frames["sizes"] = pd.DataFrame(
            {"size": list("ABC"), "from_g": starts, "to_g": [starts[1] - 1, starts[2] - 1, None]}
        )
        rows = [(name, size, by_class[i, j]) for i, name in enumerate(names) for j, size in enumerate("ABC")]
        frames["areas"] = pd.DataFrame(rows, columns=["class", "size", "area_cm2"])
        changed(ANALYST, folder, BUYER, frames, "a try", basis=1)
        limits = load_limits(path_of(folder, BUYER))
        assert [list(each.area_cm2.values()) for each in limits.classes] == by_class.tolist()
        assert [size.from_g for size in limits.size_codes] == starts
        again = as_frames(ANALYST, folder, BUYER).frames
        pd.testing.assert_frame_equal(again["areas"], frames["areas"].astype(again["areas"].dtypes.to_dict()))


class ChangesBackAndForth(RuleBasedStateMachine):
    """Changes, steps back and forth and edits by hand against a plain model: two piles of values."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.texts: list[bytes] = []
        self.done: list[float] = []
        self.undone: list[float] = []

    def teardown(self) -> None:
        shutil.rmtree(self.folder)

    @property
    def file(self) -> Path:
        return path_of(self.folder, BUYER)

    @property
    def table(self) -> Editable:
        return as_frames(MANAGER, self.folder, BUYER)

    @initialize()
    def begin(self) -> None:
        own_limits(self.folder, "shed")
        self.done, self.texts = [2.0], [self.file.read_bytes()]

    @rule(area=st.floats(0, 6).map(lambda area: round(area, 2)), by_hand=st.booleans())
    def change(self, area: float, by_hand: bool) -> None:
        if area == self.done[-1]:
            return
        if by_hand:
            old, new = f"area_cm2 = {self.done[-1]:g}\n", f"area_cm2 = {area:g}\n"
            if (text := self.file.read_text(encoding="utf-8").replace(old, new, 1).encode()) in self.texts:
                return  # put back by hand: not told from a change that was broken off
            self.file.write_bytes(text)
        else:
            frames = with_area(self.table.frames, "first", "", area)
            changed(ANALYST, self.folder, BUYER, frames, "a try", basis=self.table.version)
        self.done.append(area)
        self.undone.clear()
        self.texts.append(self.file.read_bytes())

    @precondition(lambda self: len(self.done) > 1)
    @rule()
    def step_back(self) -> None:
        assert self.table.can_undo
        undo(OTHER, self.folder, BUYER, basis=self.table.version)
        self.undone.append(self.done.pop())
        self.texts.append(self.file.read_bytes())

    @precondition(lambda self: self.undone)
    @rule()
    def step_forth(self) -> None:
        assert self.table.can_redo
        redo(OTHER, self.folder, BUYER, basis=self.table.version)
        self.done.append(self.undone.pop())
        self.texts.append(self.file.read_bytes())

    @rule(deed=st.sampled_from([undo, redo]))
    def act_on_an_older_version(self, deed: Callable[..., int]) -> None:
        with pytest.raises(TableError, match="look at that version"):
            deed(OTHER, self.folder, BUYER, basis=self.table.version - 1)

    @precondition(lambda self: len(self.done) == 1)
    @rule()
    def step_back_too_far(self) -> None:
        with pytest.raises(TableError, match="no change of buyer to take back"):
            undo(OTHER, self.folder, BUYER, basis=self.table.version)

    @precondition(lambda self: not self.undone)
    @rule()
    def step_forth_too_far(self) -> None:
        with pytest.raises(TableError, match="can be put again"):
            redo(OTHER, self.folder, BUYER, basis=self.table.version)

    @invariant()
    def the_reader_reads_the_value_in_force(self) -> None:
        if self.done:
            assert load_limits(self.file).classes[0].area_cm2 == {"": self.done[-1]}

    @invariant()
    def every_version_is_still_there(self) -> None:
        if self.done:
            assert self.table.version == len(self.texts)
            kept = [text_of(MANAGER, self.folder, BUYER, number + 1).encode() for number in range(len(self.texts))]
            assert kept == self.texts


TestChangesBackAndForth = ChangesBackAndForth.TestCase
TestChangesBackAndForth.settings = settings(max_examples=15, stateful_step_count=12, deadline=None)


def test_the_history_tells_who_when_what_and_why(folder: Path) -> None:
    start = datetime.now(UTC)
    table = own_limits(folder)
    changed(OTHER, folder, BUYER, with_area(table.frames, "I", "A", 2.0), " a stricter buyer ", basis=1)
    undo(ANALYST, folder, BUYER, basis=2, why="that buyer is gone")
    past = history(MANAGER, folder, BUYER)
    assert past["version"].tolist() == [3, 2, 1]
    assert past["who"].tolist() == ["Jarrah", "Wattle", "Jarrah"]
    assert past["did"].tolist() == ["taken back", "changed", "begun"]
    assert past["why"].tolist() == ["that buyer is gone", "a stricter buyer", "copy of cxs_184"]
    assert past["same_as"].tolist() == [1, pd.NA, pd.NA]
    assert past["at"].is_monotonic_decreasing
    assert start <= past["at"].min() <= past["at"].max() <= datetime.now(UTC)


def test_a_change_made_on_an_older_version_is_refused_and_nothing_lost(folder: Path) -> None:
    frames = own_limits(folder).frames
    changed(OTHER, folder, BUYER, with_area(frames, "I", "A", 2.0), "a stricter buyer", basis=1)
    before = bytes_there(folder)
    with pytest.raises(TableError, match=r"Wattle made version 2 of buyer at .* so your change was not written"):
        changed(ANALYST, folder, BUYER, with_area(frames, "I", "B", 3.5), "another buyer", basis=1)
    assert bytes_there(folder) == before


def _try_to_change(folder: Path, number: int, start: Any, said: Any) -> None:
    person = Person(f"Analyst {number}", frozenset({Role.ANALYST}))
    frames = with_area(as_frames(person, folder, BUYER).frames, "I", "A", 1 + number / 10)
    start.wait()
    try:
        said.put((number, changed(person, folder, BUYER, frames, "all at once", basis=1)))
    except ScorerError as refusal:
        said.put((number, str(refusal)))


def test_of_several_processes_that_change_at_once_one_wins_and_the_others_are_told(folder: Path) -> None:
    own_limits(folder)
    context = multiprocessing.get_context("spawn")
    start, said = context.Barrier(4), context.Queue()
    processes = [context.Process(target=_try_to_change, args=(folder, n, start, said)) for n in range(4)]
    for process in processes:
        process.start()
    told = dict(said.get(timeout=120) for _ in processes)
    for process in processes:
        process.join()
    winners = [number for number, word in told.items() if word == 2]
    assert len(winners) == 1
    assert all("so your change was not written" in word for n, word in told.items() if n not in winners)
    assert load_limits(path_of(folder, BUYER)).classes[0].area_cm2["A"] == 1 + winners[0] / 10
    assert history(ANALYST, folder, BUYER)["who"].iloc[0] == f"Analyst {winners[0]}"
    assert not list(folder.rglob("*.unfinished"))


def test_a_change_that_was_broken_off_between_its_two_files_is_carried_through(folder: Path) -> None:
    table = own_limits(folder)
    file = path_of(folder, BUYER)
    before = file.read_bytes()
    changed(ANALYST, folder, BUYER, with_area(table.frames, "I", "A", 2.0), "a stricter buyer", basis=1)
    after = file.read_bytes()
    file.write_bytes(before)
    assert as_frames(MANAGER, folder, BUYER).version == 2
    assert file.read_bytes() == after
    file.unlink()
    assert (tables_there(MANAGER, folder)["name"] == "buyer").sum() == 1
    assert file.read_bytes() == after


def test_a_file_edited_by_hand_is_kept_with_its_comments_before_it_is_changed(folder: Path) -> None:
    own_limits(folder)
    file = path_of(folder, BUYER)
    by_hand = file.read_bytes() + b"# our own note, with two  blanks\n"
    file.write_bytes(by_hand)
    table = as_frames(ANALYST, folder, BUYER)
    assert table.version == 2
    changed(ANALYST, folder, BUYER, with_area(table.frames, "I", "A", 2.0), "a stricter buyer", basis=2)
    assert history(ANALYST, folder, BUYER)["did"].tolist() == ["changed", "found changed", "begun"]
    assert text_of(ANALYST, folder, BUYER, 2).encode() == by_hand
    assert file.read_bytes().endswith(b"# our own note, with two  blanks\n")


def test_a_file_that_was_put_there_by_hand_can_be_changed_and_taken_back(folder: Path) -> None:
    file = path_of(folder, BUYER)
    file.parent.mkdir(parents=True)
    shutil.copy(shared_folder() / "limits" / "shed.toml", file)
    before = file.read_bytes()
    table = as_frames(ANALYST, folder, BUYER)
    assert (table.version, table.can_undo) == (1, False)
    changed(ANALYST, folder, BUYER, with_area(table.frames, "first", "", 1.0), "stricter", basis=1)
    undo(ANALYST, folder, BUYER, basis=2)
    assert file.read_bytes() == before


def test_a_file_that_was_spoilt_by_hand_is_told_kept_byte_for_byte_and_can_be_taken_back(folder: Path) -> None:
    table = own_limits(folder)
    spoilt = 'name = "Süd"'.encode("latin-1")
    path_of(folder, BUYER).write_bytes(spoilt)
    assert "is not a TOML table" in tables_there(MANAGER, folder).set_index("name").loc["buyer", "trouble"]
    for act in (
        lambda: as_frames(MANAGER, folder, BUYER),
        lambda: changed(ANALYST, folder, BUYER, table.frames, "x", basis=2),
    ):
        with pytest.raises(LimitsError, match=r"buyer\.toml is not a TOML table"):
            act()
    assert "version 2 cannot be used" in history(MANAGER, folder, BUYER)["differences"].iloc[0]
    assert undo(ANALYST, folder, BUYER, basis=2) == 3
    assert load_limits(path_of(folder, BUYER)) == load_limits("cxs_184")
    assert text_of(ANALYST, folder, BUYER, 2).encode("utf-8", "surrogateescape") == spoilt


def test_a_damaged_history_is_told_and_not_written_over(folder: Path) -> None:
    table = own_limits(folder)
    (kept,) = (folder / "history").rglob("*.json")
    assert json.loads(kept.read_text(encoding="ascii"))["who"] == "Jarrah"
    kept.write_text("{", encoding="ascii")
    with pytest.raises(TableError, match=r"Version 000001 of buyer cannot be read .*; restore 000001\.json"):
        changed(ANALYST, folder, BUYER, with_area(table.frames, "I", "A", 2.0), "a stricter buyer", basis=1)
    assert kept.read_text(encoding="ascii") == "{"


def test_shipped_tables_are_shown_and_never_changed(folder: Path) -> None:
    shipped = bytes_there(shared_folder())
    table = as_frames(MANAGER, folder, TableName(LIMITS, "cxs_184"))
    assert (table.own, table.version) == (False, 0)
    frames = with_area(table.frames, "I", "A", 2.0)
    for act in (
        lambda: changed(ANALYST, folder, table.which, frames, "stricter", basis=0),
        lambda: undo(ANALYST, folder, table.which, basis=0),
        lambda: redo(ANALYST, folder, table.which, basis=0),
    ):
        with pytest.raises(TableError, match="cxs_184 came with scorer and is never changed"):
            act()
    with pytest.raises(TableError, match="There is a table shed of limits already"):
        begin_own(ANALYST, folder, TableName(LIMITS, "cxs_184"), "shed")
    assert bytes_there(shared_folder()) == shipped
    assert not folder.exists()


def test_a_table_of_ones_own_can_be_copied_too_but_not_over_another(folder: Path) -> None:
    table = own_limits(folder)
    changed(ANALYST, folder, BUYER, with_area(table.frames, "I", "A", 2.0), "stricter", basis=1)
    copy = begin_own(OTHER, folder, BUYER, "buyer_2", "for the north")
    assert load_limits(path_of(folder, copy.which)) == load_limits(path_of(folder, BUYER))
    assert history(OTHER, folder, copy.which)["version"].tolist() == [1]
    with pytest.raises(TableError, match="There is a table buyer of limits already"):
        begin_own(OTHER, folder, copy.which, "buyer")


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".",
        "..",
        "../shed",
        "a/b",
        "a\\b",
        "/etc/x",
        "C:x",
        "Buyer",
        "a b",
        "a.toml",
        "a\n",
        "-a",
        "ä",
        "x" * 41,
        "nul",
        "com1",
    ],
)
def test_a_name_that_could_be_a_path_or_no_file_is_refused(folder: Path, name: str) -> None:
    with pytest.raises(TableError, match="cannot be a table's name"):
        begin_own(ANALYST, folder, TableName(LIMITS, "shed"), name)
    with pytest.raises(TableError, match="There are no tables of"):
        TableName("../limits", "shed")
    assert not folder.exists()


def test_only_who_may_change_tables_changes_them_and_the_officer_does_not_even_look(folder: Path) -> None:
    table = own_limits(folder)
    before = bytes_there(folder)
    frames = with_area(table.frames, "I", "A", 2.0)
    for act in (
        lambda: changed(MANAGER, folder, BUYER, frames, "stricter", basis=1),
        lambda: undo(MANAGER, folder, BUYER, basis=1),
        lambda: redo(MANAGER, folder, BUYER, basis=1),
        lambda: begin_own(MANAGER, folder, BUYER, "another"),
    ):
        with pytest.raises(AccessError, match=r"Banksia \(manager\) may not change limits and prices"):
            act()
    for look in (
        lambda: tables_there(OFFICER, folder),
        lambda: as_frames(OFFICER, folder, BUYER),
        lambda: history(OFFICER, folder, BUYER),
        lambda: text_of(OFFICER, folder, BUYER, 1),
        lambda: what_differs(OFFICER, folder, BUYER, 1, 1),
    ):
        with pytest.raises(AccessError, match=r"Acacia \(officer\) may not see crew figures"):
            look()
    assert bytes_there(folder) == before
    assert tables_there(MANAGER, folder)["own"].sum() == 1


def test_a_change_needs_a_name_and_a_reason(folder: Path) -> None:
    table = own_limits(folder)
    frames = with_area(table.frames, "I", "A", 2.0)
    with pytest.raises(TableError, match="Say in a word why buyer is changed"):
        changed(ANALYST, folder, BUYER, frames, "  ", basis=1)
    with pytest.raises(TableError, match="Nobody is named who changes the table"):
        changed(Person(" ", frozenset({Role.ANALYST})), folder, BUYER, frames, "stricter", basis=1)


def test_all_tables_are_listed_with_what_must_be_known_of_them(folder: Path) -> None:
    own_limits(folder, "indian_grading")
    there = tables_there(MANAGER, folder).set_index(["subject", "name"])
    assert set(there.index) == {
        *((LIMITS, name) for name in available_limits()),
        (LIMITS, "buyer"),
        (PRICES, "example"),
    }
    assert there.loc[(LIMITS, "buyer"), "label"] == "Indian grading rules (size codes from memory)"
    assert there.loc[(LIMITS, "buyer"), "version"] == 1
    assert there.loc[(LIMITS, "buyer"), "who"] == "Jarrah"
    assert (there["trouble"] == "").all()


def test_a_version_that_is_not_there_is_told(folder: Path) -> None:
    own_limits(folder)
    with pytest.raises(TableError, match="buyer has no version 2; it has 1 to 1"):
        text_of(ANALYST, folder, BUYER, 2)
    with pytest.raises(TableError, match="You have no table other of limits of your own"):
        history(ANALYST, folder, TableName(LIMITS, "other"))


def test_a_list_that_grows_is_still_the_toml_that_the_standard_reads(folder: Path) -> None:
    """Python's own tomllib (TOML 1.0) is the judge of what was written."""
    table = own_limits(folder)
    frames = dict(table.frames)
    frames["classes"] = with_row(frames["classes"], **{"class": "III", "words": "class III"})
    more = pd.DataFrame({"class": "III", "size": list("ABC"), "area_cm2": [9.0, 9.5, 10.0]})
    frames["areas"] = pd.concat([frames["areas"], more], ignore_index=True)
    changed(ANALYST, folder, BUYER, frames, "a lowest class", basis=1)
    raw = tomllib.loads(path_of(folder, BUYER).read_text(encoding="utf-8"))
    assert raw["classes"][2] == {"name": "III", "words": "class III", "area_cm2": {"A": 9, "B": 9.5, "C": 10}}
    assert raw["open_wounds"] == {"cut_mm": 5, "stem_puncture_mm": 3}


GRADES = "{ first = 9, juice = 2 }"
LAYOUTS = {
    "dotted keys": f'packed_as.sound = "first"\npacked_as.downgraded.juice = 1\nprice_per_carton = {GRADES}\n',
    "tables in line": f'packed_as = {{sound = "first", downgraded = {{ juice = 1 }}}}\nprice_per_carton = {GRADES}\n',
    "parts apart": f'price_per_carton = {GRADES}\n[packed_as]\nsound = "first"\n[cartons]\n'
    "[packed_as.downgraded]\njuice = 1\n",
}


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=list(LAYOUTS))
def test_tables_written_by_hand_in_any_layout_can_be_changed(folder: Path, layout: str) -> None:
    which = TableName(PRICES, "by_hand")
    path_of(folder, which).parent.mkdir(parents=True)
    path_of(folder, which).write_text(f'currency = "dollars" # ours\nfruit_per_carton = 16\n{layout}', encoding="utf-8")
    frames = dict(as_frames(ANALYST, folder, which).frames)
    frames["grades"] = with_row(frames["grades"], grade="second", price_per_carton=5, part_of_downgraded=0.75)
    frames["grades"].loc[1, "part_of_downgraded"] = 0.25
    frames["cartons"] = with_row(frames["cartons"], crew="Brolga", cartons=80)
    changed(ANALYST, folder, which, frames, "a second grade", basis=1)
    prices = load_prices(path_of(folder, which))
    assert prices.downgraded_per_carton == pytest.approx(0.75 * 5 + 0.25 * 2)
    assert prices.cartons == {"Brolga": 80}
    assert "# ours" in path_of(folder, which).read_text(encoding="utf-8")
