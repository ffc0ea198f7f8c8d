"""What tags did not tell is said once for all photos of a delivery; what a tag told stands."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from threading import Event, Thread

import pytest
from sqlalchemy import Engine

from scorer.access.roles import Person, Role
from scorer.arrivals.completing import complete
from scorer.arrivals.deliveries import Delivery, begin_delivery
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.outcomes import PhotoOutcome, missing, outcomes_of, progress_of
from scorer.arrivals.scoring import ScoringPlan, score_arrivals
from scorer.errors import AccessError, ArrivalError
from scorer.records.scores import newest_scores_of
from scorer.score_tables import TrayScore
from scorer.tag import Tag
from tests.drawn_trays import score_by_hand, write_drawing

OFFICER = Person("Ines", frozenset({Role.OFFICER}))
MANAGER = Person("Maro", frozenset({Role.MANAGER}))
PICKED = datetime(2026, 1, 12, 6, 30)
SAID = Tag(crew="Curlew", bin="C-7", picked_at=PICKED, method="hand_snap")
TOLD = {"tagged.jpg": Tag(crew="Brolga", bin="B-1"), "half.jpg": Tag(crew="Quandong")}


def score_with_tags(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
    """Score with the tag that stands on the tray of this name; on others there is none."""
    return score_by_hand(source, name, TOLD.get(name, Tag(side="up")))


@pytest.fixture
def plan(records: Engine, tmp_path: Path) -> ScoringPlan:
    url = records.url.render_as_string(hide_password=False)
    return ScoringPlan(tmp_path / "inbox", tmp_path / "photos", url, zone_if_new="Australia/Darwin")


@pytest.fixture
def delivery(plan: ScoringPlan) -> Delivery:
    return begin_delivery(OFFICER, plan.inbox)


def hand_in(delivery: Delivery, folder: Path, *names: str) -> None:
    for name in names:
        path = write_drawing(folder / name, (400 + sum(name.encode()) % 97, 300))
        with Receiving(delivery, name) as receiving:
            receiving.add(path.read_bytes())
            receiving.finish()


def score_all(plan: ScoringPlan, delivery: Delivery) -> dict[str, PhotoOutcome]:
    stop = Event()
    worker = Thread(target=score_arrivals, args=(plan, stop, score_with_tags))
    worker.start()
    while worker.is_alive() and progress_of(outcomes_of(delivery)).left:
        worker.join(0.02)
    stop.set()
    worker.join()
    return now(delivery)


def now(delivery: Delivery) -> dict[str, PhotoOutcome]:
    return {outcome.shown: outcome for outcome in outcomes_of(delivery)}


def test_what_no_tag_told_is_counted(plan: ScoringPlan, delivery: Delivery, tmp_path: Path) -> None:
    hand_in(delivery, tmp_path, "tagged.jpg", "half.jpg", "plain.jpg")
    assert missing(outcomes_of(delivery)) == {}, "nothing is known before the photos are scored"
    score_all(plan, delivery)
    assert missing(outcomes_of(delivery)) == {"crew": 1, "bin": 2, "picked_at": 3}


def test_it_is_said_once_for_all_photos_that_lack_it_and_no_tag_is_overruled(
    plan: ScoringPlan, delivery: Delivery, records: Engine, tmp_path: Path
) -> None:
    hand_in(delivery, tmp_path, "tagged.jpg", "half.jpg", "plain.jpg")
    score_all(plan, delivery)
    assert complete(OFFICER, records, delivery, SAID) == 3
    got = now(delivery)
    for name, crew, bin_ in (
        ("tagged.jpg", "Brolga", "B-1"),
        ("half.jpg", "Quandong", "C-7"),
        ("plain.jpg", "Curlew", "C-7"),
    ):
        one = got[name]
        assert (one.crew, one.bin, one.picked_at, one.method) == (crew, bin_, PICKED, "hand_snap")
        row = newest_scores_of(records, one.sha256).photo.iloc[0]
        assert (row["crew"], row["bin"], row["picked_at"], row["method"]) == (crew, bin_, PICKED, "hand_snap")
    assert missing(outcomes_of(delivery)) == {}
    assert complete(OFFICER, records, delivery, SAID) == 0, "nothing is left to say"


def test_it_holds_for_photos_that_are_scored_later(
    plan: ScoringPlan, delivery: Delivery, records: Engine, tmp_path: Path
) -> None:
    hand_in(delivery, tmp_path, "half.jpg", "plain.jpg")
    assert complete(OFFICER, records, delivery, SAID) == 0
    got = score_all(plan, delivery)
    assert (got["half.jpg"].crew, got["plain.jpg"].crew) == ("Quandong", "Curlew")
    assert got["plain.jpg"].picked_at == PICKED


def test_said_again_it_takes_the_place_of_what_was_said(
    plan: ScoringPlan, delivery: Delivery, records: Engine, tmp_path: Path
) -> None:
    hand_in(delivery, tmp_path, "tagged.jpg", "plain.jpg")
    score_all(plan, delivery)
    complete(OFFICER, records, delivery, SAID)
    assert complete(OFFICER, records, delivery, Tag(crew="Paperbark")) == 1
    got = now(delivery)
    assert (got["tagged.jpg"].crew, got["plain.jpg"].crew) == ("Brolga", "Paperbark")
    assert got["plain.jpg"].bin == "C-7", "what is not said again stays"


def test_another_delivery_is_not_touched(
    plan: ScoringPlan, delivery: Delivery, records: Engine, tmp_path: Path
) -> None:
    other = begin_delivery(OFFICER, plan.inbox)
    hand_in(delivery, tmp_path, "plain.jpg")
    hand_in(other, tmp_path, "other.jpg")
    score_all(plan, delivery)
    score_all(plan, other)
    complete(OFFICER, records, delivery, SAID)
    assert now(other)["other.jpg"].crew is None


def test_only_who_may_hand_in_says_it_and_not_at_any_length(delivery: Delivery, records: Engine) -> None:
    with pytest.raises(AccessError, match="may not hand in photos"):
        complete(MANAGER, records, delivery, SAID)
    with pytest.raises(ArrivalError, match="crew is longer than 60 characters"):
        complete(OFFICER, records, delivery, Tag(crew="C" * 61))


def test_the_hold_is_judged_once_both_times_are_known(
    plan: ScoringPlan, delivery: Delivery, records: Engine, tmp_path: Path
) -> None:
    """From 48 h after picking on damage has settled (common practice, no source)."""
    hand_in(delivery, tmp_path, "plain.jpg")
    score_all(plan, delivery)
    complete(OFFICER, records, delivery, Tag(picked_at=PICKED, taken_at=datetime(2026, 1, 14, 7, 30)))
    assert now(delivery)["plain.jpg"].hold == "settled"
    complete(OFFICER, records, delivery, Tag(taken_at=datetime(2026, 1, 12, 8, 30)))
    assert now(delivery)["plain.jpg"].hold == "early"
