"""Photos are scored as they arrive, by a process that may die at any instant without losing or doubling one."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import struct
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event, Thread

import pytest
from sqlalchemy import select
from sqlalchemy.engine import make_url

from scorer.access.roles import Person, Role
from scorer.arrivals.deliveries import Delivery, begin_delivery, inbox_beside
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.one_photo import GONE
from scorer.arrivals.outcomes import BEING_SCORED, PhotoOutcome, State, as_table, outcomes_of, progress_of
from scorer.arrivals.scoring import LOCK, ScoringPlan, score_arrivals
from scorer.arrivals.scoring_process import ScoringProcess
from scorer.arrivals.store import PhotoStore
from scorer.arrivals.turns import Turns
from scorer.batch.task import ScoreOne
from scorer.batch.workers import OUT_OF_MEMORY
from scorer.health import health_of
from scorer.kinds import DETECTOR_FILE, load_model
from scorer.language import load_language
from scorer.model_shelf.history import promote, rollback
from scorer.model_shelf.shelf import add_model, shelf_beside
from scorer.records.audit import audit_records
from scorer.records.database import open_records, records_url
from scorer.records.scores import scores_of
from scorer.records.tables import FittedModel, Import, Photo, Score
from scorer.score_tables import PHOTO_VERDICTS
from tests.drawn_trays import score_by_hand, score_with_accidents, write_drawing
from tests.other_models import write_other_model

OFFICER = Person("Ines", frozenset({Role.OFFICER}))
ANALYST = Person("Jarrah", frozenset({Role.ANALYST}))
SAMPLES = Path(__file__).parent.parent / "sample_images"
PATIENCE_S = 240


@pytest.fixture
def plan(tmp_path: Path) -> ScoringPlan:
    return plan_for(tmp_path)


def plan_for(folder: Path) -> ScoringPlan:
    url = records_url(folder / "season.sqlite")
    return ScoringPlan(inbox_beside(url), folder / "season.photos", str(url), zone_if_new="Australia/Darwin")


def hand_in(delivery: Delivery, path: Path, name: str | None = None) -> None:
    with Receiving(delivery, name or path.name) as receiving:
        receiving.add(path.read_bytes())
        receiving.finish()


def drawn(folder: Path, number: int) -> Path:
    return write_drawing(folder / f"tray_{number}.jpg", (400 + number, 300))


def delivery_of(plan: ScoringPlan, folder: Path, count: int, first: int = 0) -> Delivery:
    delivery = begin_delivery(OFFICER, plan.inbox)
    for number in range(first, first + count):
        hand_in(delivery, drawn(folder / "phone", number))
    return delivery


def until(true: Callable[[], object]) -> None:
    """Wait for something that must come; the limit only keeps a broken test from hanging."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)


def score_all(plan: ScoringPlan, *deliveries: Delivery, score: ScoreOne | None = score_by_hand) -> None:
    """Score until nothing of the deliveries is left."""
    stop = Event()
    failed: list[BaseException] = []

    def work() -> None:
        try:
            score_arrivals(plan, stop, score)
        except BaseException as error:
            failed.append(error)

    worker = Thread(target=work)
    worker.start()
    try:
        until(lambda: failed or all(progress_of(outcomes_of(each)).left == 0 for each in deliveries))
    finally:
        stop.set()
        worker.join()
    if failed:
        raise failed[0]


def recorded(plan: ScoringPlan) -> dict[str, int]:
    """Photos in the records by SHA-256, and how often each is there; the records themselves must be sound."""
    engine = open_records(make_url(plan.records_url))
    try:
        assert audit_records(engine) == []
        found = [sha256 for part in scores_of(engine) for sha256 in part.photo["sha256"]]
    finally:
        engine.dispose()
    return {sha256: found.count(sha256) for sha256 in found}


def test_a_real_photo_is_scored_kept_and_told_of(plan: ScoringPlan) -> None:
    photo = SAMPLES / "T014_a.jpg"
    delivery = begin_delivery(OFFICER, plan.inbox)
    hand_in(delivery, photo)
    score_all(plan, delivery, score=None)
    (outcome,) = outcomes_of(delivery)
    assert outcome.state is State.DONE
    assert outcome.verdict in PHOTO_VERDICTS
    assert outcome.fruit
    assert outcome.marks
    assert outcome.crew is not None, "the tag on this sample photo names a crew"
    assert outcome.seconds is not None
    sha256 = hashlib.sha256(photo.read_bytes()).hexdigest()
    assert recorded(plan) == {sha256: 1}
    store = PhotoStore(plan.store_folder)
    mask = store.fruit_mask(sha256)
    assert mask is not None
    assert mask.max() == outcome.fruit
    assert store.photo_path(sha256) is not None
    assert [path.name for path in delivery.folder.rglob("photo.*")] == []


def test_a_photo_handed_in_again_is_known_and_not_scored_again(plan: ScoringPlan, tmp_path: Path) -> None:
    scored: list[str] = []

    def counting(source: Path | bytes, name: str, tag: object) -> object:
        scored.append(name)
        return score_by_hand(source, name, None)

    first = delivery_of(plan, tmp_path, 2)
    score_all(plan, first, score=counting)  # type: ignore[arg-type]
    again = delivery_of(plan, tmp_path, 3)
    score_all(plan, again, score=counting)  # type: ignore[arg-type]
    assert scored == ["tray_0.jpg", "tray_1.jpg", "tray_2.jpg"]
    assert [one.known for one in outcomes_of(first)] == [False, False]
    assert [(one.known, one.verdict, one.fruit) for one in outcomes_of(again)] == [
        (True, "good", 6),
        (True, "good", 6),
        (False, "good", 6),
    ]
    assert set(recorded(plan).values()) == {1}


def test_two_photos_that_phones_call_alike_are_recorded_under_names_of_their_own(
    plan: ScoringPlan, tmp_path: Path
) -> None:
    delivery = begin_delivery(OFFICER, plan.inbox)
    one, other = drawn(tmp_path, 1), drawn(tmp_path, 2)
    for path in (one, other, one):
        hand_in(delivery, path, "image.jpg")
    score_all(plan, delivery)
    second = hashlib.sha256(other.read_bytes()).hexdigest()
    engine = open_records(make_url(plan.records_url))
    names = {name for part in scores_of(engine) for name in part.photo["photo"]}
    engine.dispose()
    assert names == {"image.jpg", f"image_{second[:8]}.jpg"}
    assert [outcome.shown for outcome in outcomes_of(delivery)] == ["image.jpg"] * 3, (
        "the officer sees the phone's name"
    )


def test_a_known_photo_that_the_store_has_lost_is_put_there_again(plan: ScoringPlan, tmp_path: Path) -> None:
    score_all(plan, delivery_of(plan, tmp_path, 1))
    shutil.rmtree(plan.store_folder)
    again = delivery_of(plan, tmp_path, 1)
    score_all(plan, again)
    (outcome,) = outcomes_of(again)
    assert outcome.known
    assert PhotoStore(plan.store_folder).mark_mask(outcome.sha256) is not None
    assert recorded(plan) == {outcome.sha256: 1}


def test_deliveries_take_turns(plan: ScoringPlan, tmp_path: Path) -> None:
    large = delivery_of(plan, tmp_path, 5)
    small = delivery_of(plan, tmp_path, 2, first=10)
    turns = Turns(plan.inbox)
    order = []
    while (item := turns.next()) is not None:
        order.append(item.folder.parent)
        (item.folder / "outcome.json").write_text("{}")
    assert order[:4].count(small.folder) == 2
    assert order[:2] in ([large.folder, small.folder], [small.folder, large.folder])
    assert len(order) == 7


def test_what_cannot_be_scored_is_refused_in_words_and_the_rest_goes_on(plan: ScoringPlan, tmp_path: Path) -> None:
    delivery = begin_delivery(OFFICER, plan.inbox)
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(drawn(tmp_path, 1).read_bytes()[:2000])
    for path, name in ((broken, "cut.jpg"), (drawn(tmp_path, 2), "fault.jpg"), (drawn(tmp_path, 3), "good.jpg")):
        hand_in(delivery, path, name)
    score_all(plan, delivery, score=score_with_accidents)
    cut, fault, good = outcomes_of(delivery)
    assert (cut.state, cut.verdict, cut.fruit) == (State.REFUSED, "refused", None)
    assert "copy it from the phone again" in cut.reasons
    assert "scorer's own fault" in fault.reasons
    assert good.state is State.DONE
    assert "ZeroDivisionError" in (plan.inbox / "errors.log").read_text()
    assert PhotoStore(plan.store_folder).photo_path(cut.sha256) is None
    assert [path.name for path in delivery.folder.rglob("photo.*")] == []


def png_header(width: int, height: int) -> bytes:
    """A PNG that says it is so large, W3C PNG specification (third edition), 11.2.1, with a little deflated data."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = zlib.compress(bytes(100_000))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def test_a_picture_that_would_burst_the_memory_is_refused_by_its_header(plan: ScoringPlan, tmp_path: Path) -> None:
    """60000 x 60000 pixels would be 10 GB."""
    bomb = tmp_path / "bomb.png"
    bomb.write_bytes(png_header(60_000, 60_000))
    delivery = begin_delivery(OFFICER, plan.inbox)
    hand_in(delivery, bomb)
    score_all(plan, delivery, score=None)
    (outcome,) = outcomes_of(delivery)
    assert outcome.state is State.REFUSED
    assert "more than 80 megapixels" in outcome.reasons


def test_the_same_bytes_refused_again_are_told_of_by_the_name_of_each_time(plan: ScoringPlan, tmp_path: Path) -> None:
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(drawn(tmp_path, 1).read_bytes()[:2000])
    other = tmp_path / "other.jpg"
    other.write_bytes(drawn(tmp_path, 2).read_bytes()[:2100])
    told = []
    for path, name in ((broken, "one.jpg"), (broken, "the second one.jpg"), (broken, "third.jpg"), (other, "one.jpg")):
        delivery = begin_delivery(OFFICER, plan.inbox)
        hand_in(delivery, path, name)
        score_all(plan, delivery)
        (outcome,) = outcomes_of(delivery)
        told.append((outcome.state, outcome.known, outcome.reasons))
        assert not list(delivery.folder.rglob("photo.*"))
    why = "is cut short, its end is missing; copy it from the phone again."
    assert told == [
        (State.REFUSED, False, f"one.jpg {why}"),
        (State.REFUSED, True, f"the second one.jpg {why}"),
        (State.REFUSED, True, f"third.jpg {why}"),
        (State.REFUSED, False, f"one.jpg {why}"),
    ]


def test_two_broken_photos_that_phones_call_alike_are_each_refused_by_that_name(
    plan: ScoringPlan, tmp_path: Path
) -> None:
    """The records call the second otherwise; the officer looks for the name that the phone shows."""
    delivery = begin_delivery(OFFICER, plan.inbox)
    for number in (1, 2):
        broken = tmp_path / f"broken_{number}.jpg"
        broken.write_bytes(drawn(tmp_path, number).read_bytes()[: 2000 + number])
        hand_in(delivery, broken, "image.jpg")
    score_all(plan, delivery)
    assert len({one.sha256 for one in outcomes_of(delivery)}) == 2
    assert {one.reasons.split(" is cut short")[0] for one in outcomes_of(delivery)} == {"image.jpg"}


def test_a_photo_whose_file_is_gone_is_refused_in_words(plan: ScoringPlan, tmp_path: Path) -> None:
    delivery = delivery_of(plan, tmp_path, 1)
    next(delivery.folder.rglob("photo.jpg")).unlink()
    score_all(plan, delivery)
    assert [one.reasons for one in outcomes_of(delivery)] == [GONE]


def killed_after(seconds: float, plan: ScoringPlan) -> None:
    """Score in a process of its own and kill that with SIGKILL."""
    child = os.fork()
    if child == 0:
        try:
            score_arrivals(plan, Event(), score_by_hand)
        finally:
            os._exit(0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def test_kills_at_random_instants_lose_and_double_no_photo(tmp_path: Path) -> None:
    rng, photos, kills = random.Random(7), 10, 6
    undisturbed = plan_for(tmp_path / "undisturbed")
    delivery = delivery_of(undisturbed, tmp_path, photos)
    started = time.monotonic()
    score_all(undisturbed, delivery)
    whole_s = time.monotonic() - started
    wanted = outcomes_of(delivery)
    for season in range(8):
        plan = plan_for(tmp_path / f"season_{season}")
        delivery = delivery_of(plan, tmp_path, photos)
        for _ in range(kills):
            killed_after(rng.uniform(0, whole_s), plan)
        score_all(plan, delivery)
        got = outcomes_of(delivery)
        twice_killed = [one for one in got if one.reasons == OUT_OF_MEMORY]
        assert 2 * len(twice_killed) <= kills
        for one, other in zip(got, wanted, strict=True):
            assert one in twice_killed or about(one) == about(other)
        in_records, store = recorded(plan), PhotoStore(plan.store_folder)
        for one in got:
            kept = store.photo_path(one.sha256) is not None and store.mark_mask(one.sha256) is not None
            assert one in twice_killed or (in_records[one.sha256], kept) == (1, True)
        assert not list(delivery.folder.rglob("photo.*"))


def about(outcome: PhotoOutcome) -> tuple[object, ...]:
    return (outcome.sha256, outcome.shown, outcome.state, outcome.verdict, outcome.fruit, outcome.marks, outcome.crew)


@pytest.fixture
def process(plan: ScoringPlan) -> Iterator[ScoringProcess]:
    process = ScoringProcess(plan)
    yield process
    process.stop(patience_s=5)
    assert process.pid is None


def test_the_process_scores_politely_and_ends_when_asked(plan: ScoringPlan, process: ScoringProcess) -> None:
    delivery = begin_delivery(OFFICER, plan.inbox)
    hand_in(delivery, SAMPLES / "T021_a.jpg")
    process.start()
    process.start()
    until(lambda: progress_of(outcomes_of(delivery)).left == 0)
    pid = process.pid
    assert pid is not None
    assert os.getpriority(os.PRIO_PROCESS, pid) > os.getpriority(os.PRIO_PROCESS, 0)
    assert [outcome.state for outcome in outcomes_of(delivery)] == [State.DONE]
    assert process.trouble == ""
    process.stop()
    assert not lives(pid)


def test_a_photo_that_kills_the_process_is_tried_once_more_and_then_refused(
    plan: ScoringPlan, process: ScoringProcess, tmp_path: Path
) -> None:
    delivery = begin_delivery(OFFICER, plan.inbox)
    hand_in(delivery, SAMPLES / "T014_a.jpg")
    process.start()
    (folder,) = (path for path in delivery.folder.iterdir() if path.is_dir())
    dead = []
    for tries in (1, 2):
        note = folder / BEING_SCORED
        until(lambda note=note, tries=tries: note.exists() and note.stat().st_size == tries)  # type: ignore[misc]
        assert outcomes_of(delivery)[0].state is State.BEING_SCORED
        pid = process.pid
        assert pid is not None
        assert pid not in dead
        os.kill(pid, signal.SIGKILL)
        dead.append(pid)
    hand_in(delivery, drawn(tmp_path, 1))
    until(lambda: progress_of(outcomes_of(delivery)).left == 0)
    killer, other = outcomes_of(delivery)
    assert (killer.state, killer.reasons) == (State.REFUSED, OUT_OF_MEMORY)
    assert other.state is not State.WAITING
    assert process.pid not in dead


def test_a_process_that_cannot_work_says_why_and_works_once_it_can(plan: ScoringPlan, tmp_path: Path) -> None:
    records = tmp_path / "season.sqlite"
    records.write_text("this is no database")
    process = ScoringProcess(plan)
    process.start()
    try:
        until(lambda: process.trouble)
        assert "is not a file of records" in process.trouble
        records.unlink()
        until(lambda: not process.trouble)
    finally:
        process.stop()


def test_a_model_put_to_use_scores_the_next_photo_and_a_damaged_one_lets_it_wait(
    plan: ScoringPlan, process: ScoringProcess, tmp_path: Path
) -> None:
    """One process all the time, until the model in use is damaged; no other model takes its place then."""
    shelf = shelf_beside(plan.records_url)
    dull = add_model(ANALYST, shelf, write_other_model(tmp_path / "dull", shift=8.0))
    delivery = begin_delivery(OFFICER, plan.inbox)
    pids: list[int | None] = []

    def scored(name: str) -> int:
        hand_in(delivery, SAMPLES / name)
        until(lambda: progress_of(outcomes_of(delivery)).left == 0)
        pids.append(process.pid)
        return outcomes_of(delivery)[-1].marks or 0

    process.start()
    first = scored("T014_a.jpg")
    promote(ANALYST, shelf, dull.name, "a trial")
    second = scored("T021_a.jpg")
    rollback(ANALYST, shelf, "too dull")
    third = scored("T017_a.jpg")
    assert first > second < third, "the other model takes nearly all skin for clean"
    promote(ANALYST, shelf, dull.name, "once more")
    assert len(set(pids)) == 1, "without a restart"

    detector = dull.folder / DETECTOR_FILE
    whole = detector.read_bytes()
    detector.write_bytes(b"no model")
    hand_in(delivery, SAMPLES / "T026_a.jpg")
    until(lambda: process.trouble)
    engine = open_records(make_url(plan.records_url))
    told = health_of(ANALYST, engine, plan.store_folder).sentences[0]
    assert told == process.trouble
    assert f"The model {dull.name} cannot be used" in told
    assert load_language("es").told(told) != told
    assert outcomes_of(delivery)[-1].state in (State.WAITING, State.BEING_SCORED)
    detector.write_bytes(whole)
    until(lambda: progress_of(outcomes_of(delivery)).left == 0)
    until(lambda: not process.trouble)
    assert "cannot be used" not in " ".join(health_of(ANALYST, engine, plan.store_folder).sentences)
    with engine.connect() as connection:
        scores = select(Photo.name, FittedModel.sha256).join(Score, Score.photo_id == Photo.id)
        by = connection.execute(scores.join(FittedModel, Score.model_id == FittedModel.id).order_by(Score.id)).all()
    engine.dispose()
    shipped = load_model().sha256
    assert [tuple(row) for row in by] == [
        ("T014_a.jpg", shipped),
        ("T021_a.jpg", dull.sha256),
        ("T017_a.jpg", shipped),
        ("T026_a.jpg", dull.sha256),
    ]


def test_the_process_ends_when_whoever_started_it_dies(plan: ScoringPlan) -> None:
    told, tell = os.pipe()
    parent = os.fork()
    if parent == 0:
        process = ScoringProcess(plan)
        process.start()
        until(lambda: process.pid)
        os.write(tell, str(process.pid).encode())
        while True:
            time.sleep(1)
    pid = int(os.read(told, 20))
    os.close(told)
    os.close(tell)
    until(lambda: (plan.inbox / LOCK).exists())
    assert lives(pid)
    os.kill(parent, signal.SIGKILL)
    os.waitpid(parent, 0)
    until(lambda: not lives(pid))


def lives(pid: int) -> bool:
    """Whether a process runs; not one that is dead and only not yet reaped (proc(5), field 3 of stat)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_seconds_left_come_from_the_photos_scored_so_far() -> None:
    def one(number: int, state: State, seconds: float | None = None, known: bool = False) -> PhotoOutcome:
        return PhotoOutcome(number, "tray.jpg", "a" * 64, state, seconds=seconds, known=known)

    waiting = [one(n, State.WAITING) for n in range(5)]
    assert progress_of(waiting).seconds_left is None
    begun = [one(8, State.DONE, 2.0), one(9, State.REFUSED, 4.0), one(10, State.DONE, 90.0, known=True), *waiting]
    progress = progress_of(begun)
    assert (progress.items, progress.done, progress.left, progress.seconds_left) == (8, 3, 5, 15.0)
    assert progress_of(begun[:3]).seconds_left == 0


def test_outcomes_as_a_table_have_a_row_each_and_typed_columns() -> None:
    outcomes = [
        PhotoOutcome(1, "a.jpg", "a" * 64, State.WAITING),
        PhotoOutcome(2, "b.jpg", "b" * 64, State.DONE, fruit=6),
    ]
    table = as_table(outcomes)
    assert table["state"].tolist() == ["waiting", "done"]
    assert table["fruit"].sum() == 6
    assert str(table["picked_at"].dtype) == "datetime64[s]"
    assert list(as_table([]).columns) == list(table.columns)


def test_a_delivery_that_comes_slowly_is_one_batch_in_the_records(plan: ScoringPlan, tmp_path: Path) -> None:
    delivery = begin_delivery(OFFICER, plan.inbox)
    stop = Event()
    worker = Thread(target=score_arrivals, args=(plan, stop, score_by_hand))
    worker.start()
    try:
        for number in range(3):
            hand_in(delivery, drawn(tmp_path, number))
            until(lambda: progress_of(outcomes_of(delivery)).left == 0)
    finally:
        stop.set()
        worker.join()
    engine = open_records(make_url(plan.records_url))
    with engine.connect() as connection:
        batches = connection.execute(select(Import.source, Import.scored, Import.known, Import.refused)).all()
    engine.dispose()
    assert [tuple(batch) for batch in batches] == [(f"Photos handed in by Ines ({delivery.key})", 3, 0, 0)]
