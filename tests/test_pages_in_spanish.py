"""What scorer puts together in English is shown in Spanish: sentences that it really makes, and no number is lost.

Outside sources: the signs in numbers are those of Unicode CLDR, from memory (Spanish 12.345,6; Mexico 12,345.6). That
the Spanish is well said is common practice, no source.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import cv2
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from scorer.access.roles import Person, Right, Role
from scorer.access.sign_in import why_without_role
from scorer.arrivals.completing import complete
from scorer.arrivals.deliveries import begin_delivery, find_delivery, notes_of
from scorer.arrivals.incoming import Receiving
from scorer.checks import check_photo, overall
from scorer.crew_summary import FAIR_USE, FOR_COACHING
from scorer.crews.comparison import compare_crews
from scorer.crews.money import halving_the_worst
from scorer.crews.next_checks import checks_worth
from scorer.crews.over_time import over_time
from scorer.crews.prices import load_prices
from scorer.crews.shares import defect_share
from scorer.crews.standardised import standardised_shares
from scorer.errors import ScorerError
from scorer.fruit_rows import countable, fruit_rows
from scorer.health import Health
from scorer.hold_time.clock import hold_time, moment_of, zone_of
from scorer.language import load_language
from scorer.limits import available_limits, load_limits
from scorer.photo import open_photo
from scorer.printing import print_tags
from scorer.records.mark_words import say_kind, take_back
from scorer.resources import shared_folder
from scorer.sampling.pick_list import draw_pick_list
from scorer.sampling.sequential import judge_trays, plan_door_check
from scorer.sampling.sizes import SamplingMinutes, size_for_half_width, size_to_tell_crews_apart
from scorer.score_tables import KINDS, UNSURE
from scorer.simulate import TraySettings, simulate_tray
from scorer.tables_in_place.edit import as_frames, begin_own, changed, redo, undo
from scorer.tables_in_place.names import LIMITS, PRICES, TableName
from scorer.tag import Tag, parse_tag
from scorer.tray import locate
from scorer.verdict import VERDICTS, judge_fruit
from tests.checked_season import season
from tests.drawn_days import WAFERS, days, steady
from tests.drawn_records import fresh_records
from tests.drawn_trays import draw_tray

ENGLISH = load_language("en")
SPANISH = load_language("es")
EVERYBODY = Person("Wattle", frozenset(Role))
PICKED = datetime(2026, 1, 12, 6, 30)
LEFT_IN_ENGLISH = re.compile(r"\b(the|of|is|are|and|with|from|this|that|not|to|which|than|for|by|on|in|at|it)\b")


def numbers(text: str) -> Counter[str]:
    return Counter(re.findall(r"\d+", text))


def amiss_in_spanish(sentences: list[str] | tuple[str, ...], *, names: str = "") -> list[str]:
    """What is amiss when the sentences are told in Spanish; nothing if all is well, as it cannot be without sentences.

    An English word is left that is not of ``names``, a number is lost, a place is not filled in, or the English page
    does not show the sentence as it is.
    """
    amiss = [] if sentences else ["there is no sentence to tell"]
    for sentence in sentences:
        told = SPANISH.told(sentence)
        english = LEFT_IN_ENGLISH.findall(re.sub(names, "", told) if names else told)
        faults = {
            "not translated": told == sentence,
            f"English words {english}": bool(english),
            "numbers lost or added": numbers(told) != numbers(sentence),
            "a place not filled in": "{" in told,
            "changed in English": ENGLISH.told(sentence) != sentence,
        }
        amiss += [f"{fault}: {sentence!r} is told as {told!r}" for fault, there in faults.items() if there]
    return amiss


def refusal(deed: partial[Any]) -> str:
    with pytest.raises((ScorerError, ValueError)) as refused:
        deed()
    return str(refused.value)


def capital(sentence: str) -> str:
    """As the page of plans shows what the library refuses."""
    return f"{sentence[0].upper()}{sentence[1:]}."


# Photos


@pytest.fixture(scope="module")
def tray() -> np.ndarray:
    settings = TraySettings(
        image_size=(1800, 1350), floor="white", look="hard_green", light="overcast", tag="", habits={}, card=True,
        fruit=6, walls=False, lookalikes=0.0, focal_35mm=26.0, camera_height_mm=560.0, tilt_deg=2.0,
    )  # fmt: skip
    return simulate_tray(7, settings).bgr


def reasons_of(picture: np.ndarray) -> tuple[str, ...]:
    photo = open_photo(picture)
    found = locate(photo)
    checks = check_photo(photo.bgr, found.bgr, found.fruit, found.pose, found.correction)
    return (overall(checks)[1], *photo.doubts)


def test_what_is_wrong_with_a_photo_is_told_in_spanish(tray: np.ndarray) -> None:
    bad = {
        "blurred": cv2.GaussianBlur(tray, (0, 0), 9.0),
        "dark": (tray * 0.12).astype(np.uint8),
        "bright": np.clip(tray * 2.5, 0, 255).astype(np.uint8),
        "small": cv2.resize(tray, (480, 360), interpolation=cv2.INTER_AREA),
        "drawn, without a card": draw_tray()[0],
        "cut off": np.ascontiguousarray(tray[400:, 500:]),
    }
    said = {name: [reason for reason in reasons_of(picture) if reason] for name, picture in bad.items()}
    assert all(said.values()), "each of them is bad"
    assert "480 x 360" in said["small"][-1]
    assert amiss_in_spanish([reason for reasons in said.values() for reason in reasons]) == []
    assert amiss_in_spanish(["; ".join(reasons) for reasons in said.values()]) == []


def picture_bytes(kind: str, size: tuple[int, int] = (900, 700), mode: str = "RGB", **more: Any) -> bytes:
    out = io.BytesIO()
    Image.effect_noise(size, 60).convert(mode).save(out, kind, **more)
    return out.getvalue()


def test_a_photo_that_is_not_scored_says_why_in_spanish(tmp_path: Path) -> None:
    raw = tmp_path / "tray.dng"
    raw.write_bytes(b"II*")
    whole = picture_bytes("JPEG")
    given: list[Any] = [
        b"", b"no picture", whole[: len(whole) // 2], whole, picture_bytes("JPEG", mode="CMYK"), picture_bytes("GIF"),
        picture_bytes("PNG", (90, 70)), raw, tmp_path, Path("gone.jpg"),
    ]  # fmt: skip
    said = [refusal(partial(open_photo, each)) for each in given]
    assert len(set(said)) == len(given)
    assert amiss_in_spanish(said) == []


def test_doubts_about_tag_and_time_are_told_in_spanish() -> None:
    tag = parse_tag(f"crew=Brolga&crew=Curlew&bin={'T' * 200}&picked=soon&method=%FF")
    assert tag is not None
    assert len(tag.doubts) == 4
    early = hold_time(PICKED, PICKED - timedelta(hours=3)).trouble
    late = hold_time(PICKED, PICKED + timedelta(days=400)).trouble
    assert amiss_in_spanish([*tag.doubts, early, late, "; ".join((early, *tag.doubts))]) == []
    assert amiss_in_spanish([refusal(partial(zone_of, "Atlantis"))]) == []
    forward = datetime(2026, 3, 8, 2, 30)  # clocks in Denver go forward then: IANA database, from memory
    said = refusal(partial(moment_of, forward, ZoneInfo("America/Denver")))
    assert amiss_in_spanish([said]) == []


# Fruit


Mark = tuple[str, float, float]


def judged(*marks: Mark, table: str = "cxs_184", size_mm: tuple[float, float] = (120.0, 85.0)) -> str:
    rows = pd.DataFrame(list(marks), columns=["kind", "area_mm2", "length_mm"])
    return judge_fruit(
        rows.astype({"kind": "str", "area_mm2": "float64", "length_mm": "float64"}),
        visible_area_mm2=14000.0,
        length_mm=size_mm[0],
        width_mm=size_mm[1],
        limits=load_limits(table),
    ).reason


@pytest.mark.parametrize("table", available_limits())
@pytest.mark.parametrize("area_mm2", [0.0, 40.0, 350.0, 450.0, 5000.0])
def test_the_verdict_on_a_fruit_is_told_in_spanish(table: str, area_mm2: float) -> None:
    marks = [(kind, area_mm2 / 6, 3.0) for kind in (*KINDS, UNSURE)] if area_mm2 else []
    said = [judged(*marks, table=table), judged(*marks[:1], table=table), judged(*marks[:2], table=table)]
    names = "Indian grading rules|shed table"
    assert amiss_in_spanish(said, names=names) == []
    assert amiss_in_spanish([f"{said[0]}; cut off by the edge of the photo"], names=names) == []


def test_what_keeps_a_fruit_from_being_judged_is_told_in_spanish() -> None:
    unscaled = judge_fruit(
        pd.DataFrame({"kind": [], "area_mm2": [], "length_mm": []}),
        visible_area_mm2=None,
        length_mm=None,
        width_mm=None,
        limits=load_limits("shed"),
    ).reason
    tiny, huge = judged(size_mm=(40.0, 30.0)), judged(size_mm=(300.0, 200.0))
    wound = judged(("cut", 60.0, 80.0), table="shed")
    assert "80 mm long" in wound
    assert amiss_in_spanish([unscaled, tiny, huge, wound], names="shed table") == []
    assert amiss_in_spanish(VERDICTS) == []


def tray_rows(photo: str, **about: Any) -> list[dict[str, Any]]:
    row = {
        "photo": photo, "crew": "Curlew", "bin": "T7", "side": "a", "picked_at": PICKED, "hold": "settled",
        "taken_at": PICKED + timedelta(days=2), "photo_verdict": "good", "verdict": "within limits",
    }  # fmt: skip
    return [row | {"fruit": n, "downgraded": n == 1} | about for n in range(1, 4)]


def test_what_counts_and_what_does_not_is_told_in_spanish() -> None:
    rows = [
        *tray_rows("one.jpg"),
        *tray_rows("two.jpg", taken_at=PICKED + timedelta(days=3)),
        *tray_rows("other_side.jpg", side="b"),
        *tray_rows("nobody.jpg", crew=None, bin="T8"),
        *tray_rows("blurred.jpg", bin="T9", photo_verdict="retake"),
        *tray_rows("soon.jpg", bin="T10", hold="early"),
        *tray_rows("unscaled.jpg", bin="T11", verdict="not judged"),
    ]
    counted = countable(fruit_rows(pd.DataFrame(rows)))
    assert len(counted.left_out) == 6
    all_count = countable(fruit_rows(pd.DataFrame(tray_rows("one.jpg"))))
    assert amiss_in_spanish([counted.sentence, all_count.sentence]) == []
    assert SPANISH.text(FAIR_USE) != FAIR_USE
    assert SPANISH.text(FOR_COACHING) != FOR_COACHING


# Photos that are handed in


def arriving(folder: Path, name: str, data: bytes) -> tuple[str, ...]:
    """What a delivery says of a file: its refusal, or its notes."""
    delivery = begin_delivery(EVERYBODY, folder)
    try:
        with Receiving(delivery, name) as receiving:
            receiving.add(data)
            receiving.finish()
    except ScorerError as refused:
        return (str(refused),)
    return notes_of(delivery)


def zipped(*entries: tuple[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries:
            archive.writestr(name, data)
    return out.getvalue()


def test_what_is_said_of_files_that_are_handed_in_is_told_in_spanish(tmp_path: Path) -> None:
    jpeg = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8
    inner = zipped(("tray.jpg", jpeg))
    files = {
        "empty.jpg": b"",
        "letter.jpg": b"Dear all",
        "spoilt.zip": zipped(("tray.jpg", jpeg))[:-30],
        "without.zip": zipped(("letter.txt", b"Dear all"), ("list.txt", b"1, 2")),
        "more.zip": zipped(("tray.jpg", jpeg), ("letter.txt", b"Dear all"), ("a.zip", inner), ("b.zip", inner)),
        "crowd.zip": zipped(*((f"{number}.jpg", jpeg) for number in range(501))),
    }
    said = [sentence for name, data in files.items() for sentence in arriving(tmp_path / "inbox", name, data)]
    assert len(said) == len(files)
    assert amiss_in_spanish(said) == []


def test_a_delivery_that_is_gone_and_a_field_that_is_too_long_are_told_in_spanish(tmp_path: Path) -> None:
    records = fresh_records("sqlite", tmp_path, str)
    delivery = begin_delivery(EVERYBODY, tmp_path / "inbox")
    gone = refusal(partial(find_delivery, EVERYBODY, tmp_path / "inbox", "0" * 32))
    long = refusal(partial(complete, EVERYBODY, records, delivery, Tag(crew="x" * 500)))
    mark = refusal(partial(say_kind, EVERYBODY, records, ("a" * 64, 1, 2), "cut"))
    decision = refusal(partial(take_back, EVERYBODY, records, 12))
    records.dispose()
    assert amiss_in_spanish([gone, long, mark, decision]) == []


# Crew figures


def fruit_of(crews: dict[str, list[tuple[int, int]]]) -> pd.DataFrame:
    """One row per fruit, from each crew's (defective, fruit) in its bins."""
    return pd.DataFrame(
        [
            {"crew": name, "lot": f"{name} {number}", "defective": place < bad}
            for name, bins in crews.items()
            for number, (bad, of) in enumerate(bins)
            for place in range(of)
        ]
    )


def test_what_a_crews_sample_cannot_tell_is_told_in_spanish() -> None:
    mixed = {
        "Curlew": [(1, 10), (2, 10), (1, 10)],
        "Brolga": [(0, 10), (10, 10), (0, 10), (10, 10)],
        "Quandong": [(1, 9)],
    }
    notes = {
        note
        for crews in (mixed, {"Curlew": [(1, 10)]}, {"Curlew": [(0, 10), (0, 10)], "Brolga": [(0, 10)]})
        for note in defect_share(fruit_of(crews), cluster="lot")["note"]
        if note
    }
    assert len(notes) >= 3
    assert amiss_in_spanish(sorted(notes)) == []
    compared = [compare_crews(fruit_of(crews), cluster="lot") for crews in (mixed, {"Curlew": [(1, 10)]})]
    assert amiss_in_spanish(sorted({word for table in compared for word in table["in_words"]})) == []


def test_a_crews_days_are_told_in_spanish() -> None:
    rng = np.random.default_rng(3)
    seasons = [
        days([], 20),
        days([3], 20),
        days([3, 4, 2], 20),
        days([0] * 12, 20),
        days([20] * 12, 20),
        days(WAFERS, 50),
        days([2, 3, 2, 3, 2, 3, 15, 2, 3, 2, 3, 2], 50),
        days([15, 14, 15, 16, 15, 14, 15, 0, 15, 16, 14, 15], 50),
        steady(rng, [0.05] * 8),
        steady(rng, [0.02] * 10 + [0.4] * 12),
        steady(rng, [0.4] * 10 + [0.02] * 12),
    ]
    columns = ["day", "lot", "defective"]
    said = [
        sentence
        for fruit in seasons
        for sentence in over_time(fruit.reindex(columns=columns).astype({"defective": bool}), "Curlew").sentences
    ]
    assert len({re.sub(r"[\d.-]+", "", sentence) for sentence in said}) >= 6
    assert amiss_in_spanish(said) == []


def test_crews_at_the_same_mix_are_told_in_spanish() -> None:
    rng = np.random.default_rng(5)
    fruit = season(rng, checked=0.0).assign(block=lambda table: table["crew"], method="hand_snap")
    apart = standardised_shares(fruit)
    alone = standardised_shares(fruit[fruit["crew"] == "Curlew"])
    unknown = standardised_shares(fruit.assign(block=None))
    some = standardised_shares(fruit.assign(block=fruit["block"].where(fruit["crew"] != "Brolga")))
    warnings = [sentence for one in (apart, alone, unknown, some) for sentence in one.warnings]
    notes = [note for one in (apart, alone, unknown, some) for note in one.table["note"] if note]
    assert amiss_in_spanish(sorted({*warnings, *notes})) == []


def test_what_more_checks_are_worth_is_told_in_spanish() -> None:
    rng = np.random.default_rng(5)
    seasons = [season(rng, checked=chance, bins=bins) for chance, bins in [(0.02, 12), (0.4, 12), (1.0, 3)]]
    looked = [checks_worth(fruit) for fruit in seasons]
    said = [sentence for table in looked for sentence in table["sentence"]]
    assert len({re.sub(r"\w+:|\d+", "", sentence) for sentence in said}) >= 3
    assert amiss_in_spanish(said) == []


def test_what_half_of_the_worst_damage_costs_is_told_in_spanish() -> None:
    prices = load_prices(shared_folder() / "prices" / "example.toml")
    fruit = season(np.random.default_rng(5), checked=0.0).assign(**dict.fromkeys((*KINDS, UNSURE), False))
    fruit["stem_puncture"] = fruit["defective"] & (fruit["crew"] != "Brolga")
    said = [
        sentence
        for table in (prices, replace(prices, cartons={"Curlew": 125_000.0}))
        for sentence in halving_the_worst(fruit, table)["sentence"]
    ]
    assert any("," in sentence.split("likely")[-1] for sentence in said), "one of them has a sign for thousands"
    assert amiss_in_spanish(said) == []


# Who may do what, tables, plans, tags, records


@pytest.mark.parametrize("right", list(Right))
def test_a_right_that_somebody_lacks_is_told_in_spanish(right: Right) -> None:
    said = [
        refusal(partial(person.must, right))
        for roles in (set(), {Role.OFFICER}, {Role.ANALYST}, {Role.MANAGER}, {Role.ANALYST, Role.OFFICER})
        for person in (Person("", frozenset(roles)), Person("Wattle", frozenset(roles)))
        if not person.may(right)
    ]
    assert amiss_in_spanish(said, names="Wattle") == []


def test_somebody_who_signs_in_and_has_no_role_is_told_so_in_spanish() -> None:
    claims: list[dict[str, object]] = [
        {},
        {"email": "wattle@shed.example"},
        {"email": "wattle@shed.example", "email_verified": True},
    ]
    said = [why_without_role(claim) for claim in claims]
    assert amiss_in_spanish(said) == []
    assert "wattle@shed.example" in SPANISH.told(said[-1])


def test_what_cannot_be_kept_of_a_table_is_told_in_spanish(tmp_path: Path) -> None:
    shipped, own = TableName(LIMITS, "cxs_184"), TableName(LIMITS, "mine")
    frames = dict(begin_own(EVERYBODY, tmp_path, shipped, "mine").frames)
    areas, classes = frames["areas"], frames["classes"]
    change = partial(changed, EVERYBODY, tmp_path, own, why="tried", basis=1)
    deeds: list[partial[Any]] = [
        partial(begin_own, EVERYBODY, tmp_path, shipped, "mine"),
        partial(begin_own, Person("", frozenset(Role)), tmp_path, shipped, "other"),
        partial(begin_own, EVERYBODY, tmp_path, shipped, "../other"),
        partial(as_frames, EVERYBODY, tmp_path, TableName(PRICES, "mine")),
        partial(changed, EVERYBODY, tmp_path, shipped, frames, "tried", basis=1),
        partial(changed, EVERYBODY, tmp_path, own, frames, " ", basis=1),
        partial(change, frames),
        partial(change, frames | {"areas": pd.concat([areas, areas.head(1)])}),
        partial(change, frames | {"classes": classes.head(1)}),
        partial(change, frames | {"areas": areas.assign(area_cm2=-1.0)}),
        partial(change, frames | {"areas": areas.iloc[1:]}),
        partial(undo, EVERYBODY, tmp_path, own, basis=1),
        partial(redo, EVERYBODY, tmp_path, own, basis=1),
    ]
    assert amiss_in_spanish([refusal(deed) for deed in deeds]) == []
    newest = change(frames | {"areas": areas.assign(area_cm2=areas["area_cm2"] + 1)})
    assert newest == 2
    assert amiss_in_spanish([refusal(partial(change, frames))]) == []


def test_plans_of_samples_are_told_in_spanish() -> None:
    minutes, many = SamplingMinutes(6.0, 0.5), SamplingMinutes(60.0, 0.5)
    draw = partial(draw_pick_list, shift_start=datetime(2026, 1, 12, 6), shift_end=datetime(2026, 1, 12, 14))
    door = plan_door_check(0.03, 0.12, fruit_per_tray=10, icc=0.05)
    said = [
        size_to_tell_crews_apart(0.05, 0.1, icc=0.05, minutes=minutes).sentence,
        size_to_tell_crews_apart(0.05, 0.5, icc=0.05, minutes=minutes).sentence,
        size_for_half_width(0.05, 0.02, icc=0.05, minutes=many).sentence,
        draw(60, 12, 10).sentence,
        door.sentence,
        judge_trays(door, [10], [1]).sentence,
        judge_trays(door, [10] * 12, [0] * 12).sentence,
        judge_trays(door, [10, 10, 10], [9, 9, 9]).sentence,
    ]
    assert amiss_in_spanish(said) == []
    refused: list[partial[Any]] = [
        partial(size_to_tell_crews_apart, 0.05, 0.05, icc=0.05, minutes=minutes),
        partial(SamplingMinutes, 0.0, 0.0),
        partial(draw, 5, 12, 10),
        partial(plan_door_check, 0.12, 0.03, fruit_per_tray=10, icc=0.05),
        partial(judge_trays, door, [10], [11]),
    ]
    assert amiss_in_spanish([capital(refusal(deed)) for deed in refused]) == []


def test_notes_on_printed_tags_are_told_in_spanish(tmp_path: Path) -> None:
    notes = print_tags([Tag(crew="苹果园", bin="T-1"), Tag(crew="W" * 60, bin="T-2")], tmp_path / "tags.pdf")
    assert len(notes) == 2
    assert amiss_in_spanish(notes) == []
    assert amiss_in_spanish([refusal(partial(print_tags, [Tag(method="pole")], tmp_path / "tags.pdf"))]) == []


def test_the_health_of_the_records_is_told_in_spanish() -> None:
    def health(number: int) -> Health:
        waiting = pd.DataFrame({"settled_since": False, "due": [True, False] * number, "settles_at": PICKED})
        rows = pd.DataFrame({"photo": ["one.jpg"] * number})
        return Health(
            free_bytes=12_300_000_000, photo_bytes=4e6 * number, photos=20, fruit=120, decisions=3,
            last_photo="tray.jpg", last_photo_at=PICKED, last_score_at=datetime(2026, 1, 14, tzinfo=UTC),
            waiting=waiting, retakes=rows, crewless=rows, binless=number,
        )  # fmt: skip

    one, several = health(1), health(3)
    assert len(one.sentences) == len(several.sentences) == 9
    assert amiss_in_spanish([*one.sentences, *several.sentences, *replace(one, photo_bytes=None).sentences]) == []


# Numbers, and what no source text fits


@pytest.mark.parametrize(("code", "number"), [("es", "12.345"), ("es_MX", "12,345"), ("es_EC", "12.345")])
def test_numbers_in_a_sentence_get_the_signs_of_the_country(code: str, number: str) -> None:
    sentence = "Curlew: half as much sap burn would bring about 12,345 dollars (likely 1,200 to 3,400)."
    assert f"cerca de {number} dollars" in load_language(code).told(sentence)


def test_names_of_crews_stay_as_they_are_though_they_are_words_of_the_catalogue() -> None:
    said = "Cut: 3 of 40 fruit checked; its figure from both words needs 20 in 3 bins."
    assert SPANISH.told(said).startswith("Cut: 3 de 40")


@pytest.mark.parametrize(
    "foreign",
    ["hand 3 photos to 4 people", "Fruit that lie", "since then", "left", "5 to 6 and back", ";", "; ", "a; b", ""],
)
def test_a_sentence_that_nobody_translated_stays_whole(foreign: str) -> None:
    assert SPANISH.told(foreign) == foreign


@given(st.text())
def test_english_gives_every_sentence_back(sentence: str) -> None:
    assert ENGLISH.told(sentence) == sentence


@given(st.lists(st.sampled_from(["two bin tags in view", "crew is given twice", "Curlew", "3 photos"]), min_size=1))
def test_parts_are_told_one_by_one_and_in_order(parts: list[str]) -> None:
    assert SPANISH.told("; ".join(parts)) == "; ".join(SPANISH.told(part) for part in parts)


@pytest.mark.parametrize("source", [pattern.source for pattern in SPANISH.patterns])
def test_each_source_text_is_found_again_once_it_is_filled_in(source: str) -> None:
    """Each value is filled in by a word or number of its own; no other pattern may take the sentence before."""
    names = re.findall(r"\{(\w+)\}", source)
    values = {name: str(7000 + place) for place, name in enumerate(dict.fromkeys(names))}
    told = SPANISH.told(source.format(**values))
    assert told == SPANISH.text(source, **values)
