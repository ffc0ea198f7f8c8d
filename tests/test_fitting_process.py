"""Fitting in the background: real processes over small sets of labels, refused, stopped, killed, and one at a time."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PIL import Image
from sqlalchemy.engine import URL

from scorer.access.roles import Person, Role
from scorer.errors import AccessError, ModelError
from scorer.fitting_process import DIED, FINISHED, REFUSED, RUNNING, STOPPED, Fitting, start, state, stop
from scorer.model_shelf.shelf import SHIPPED, kept_models, shelf_beside
from scorer.model_shelf.site_model import Wishes
from scorer.records.database import open_records, records_url
from scorer.tray import Settings, score_photo
from tests.browser.season import SAMPLES, make_season
from tests.label_files import annotation, coco, write_json
from tests.other_models import change_card, write_other_model
from tests.test_cli import run

ANALYST = Person("Finch", frozenset({Role.ANALYST}))
OFFICER = Person("Wattle", frozenset({Role.OFFICER}))
WISHES = Wishes(wanted_error=0.05)
PATIENCE_S = 120


@pytest.fixture
def records(tmp_path: Path) -> Iterator[URL]:
    """Where records are, empty; whatever is still being fitted for them afterwards is stopped."""
    url = records_url(tmp_path / "season.sqlite")
    open_records(url).dispose()
    yield url
    stop(ANALYST, url)


def ended(records: URL) -> Fitting:
    """The newest fit, once it runs no more."""
    wait_until(lambda: now(records).state != RUNNING)
    return now(records)


def now(records: URL) -> Fitting:
    fitting = state(ANALYST, records)
    assert fitting is not None
    return fitting


def wait_until(done: Callable[[], bool]) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while not done():
        assert time.monotonic() < give_up, "it did not come to it"
        time.sleep(0.05)


def names_on_shelf(records: URL) -> list[str]:
    return [model.name for model in kept_models(shelf_beside(records))]


def nothing_half_kept(records: URL) -> bool:
    folder = shelf_beside(records).folder
    return names_on_shelf(records) == [SHIPPED] and (not folder.exists() or list(folder.iterdir()) == [])


def labelled(records: URL, folder: Path, photos: list[Path]) -> URL:
    """Hand in photos, let them be scored, and label them."""
    make_season(folder, photos)
    images = [{"id": number, "file_name": path.name, **size_of(path)} for number, path in enumerate(photos, start=1)]
    outlines = [annotation(id=number, image_id=number) for number in range(1, len(photos) + 1)]
    file = write_json(folder / "labels.json", coco(images=images, annotations=outlines))
    result = run("train", "labels", file, "--records", folder / "season.sqlite")
    assert result.exit_code == 0, result.output
    return records


def size_of(path: Path) -> dict[str, int]:
    with Image.open(path) as picture:
        return dict(zip(("width", "height"), picture.size, strict=True))


@pytest.fixture
def season(records: URL, tmp_path: Path) -> URL:
    """Records with outlines on two real samples: to measure those takes a while, in which a fit can be stopped."""
    return labelled(records, tmp_path, [SAMPLES / "T014_a.jpg", SAMPLES / "T021_a.jpg"])


def test_where_nothing_was_fitted_there_is_nothing_to_tell_and_nothing_to_stop(records: URL) -> None:
    assert state(ANALYST, records) is None
    stop(ANALYST, records)
    assert state(ANALYST, records) is None


def test_two_trays_only_are_refused_in_the_words_of_the_command(season: URL) -> None:
    began = start(ANALYST, season, "North block", WISHES)
    assert (began.name, began.who, began.state) == ("North block", "Finch", RUNNING)
    after = ended(season)
    assert after.state == REFUSED
    assert after.said.startswith("The labels are on 2 trays; label fruit on at least "), after
    assert "Error: " in "\n".join(after.lines)
    assert nothing_half_kept(season)


def test_records_without_labels_are_refused_and_another_fit_can_begin(records: URL) -> None:
    start(ANALYST, records, "first", Wishes())
    first = ended(records)
    assert (first.state, first.name) == (REFUSED, "first")
    assert first.said.startswith("Nobody has labelled anything in these records")
    start(ANALYST, records, "second", Wishes(thresholds=True))
    assert ended(records).name == "second"


@pytest.fixture
def verdicts(records: URL, tmp_path: Path) -> URL:
    """Records with verdicts on three samples by somebody who sees fainter marks than the shipped model counts."""
    keen = write_other_model(tmp_path / "keen", shift=0.0)
    change_card(keen, mark_from=0.1)
    photos = [SAMPLES / f"{name}_a.jpg" for name in ("T021", "T029", "T046")]
    make_season(tmp_path, photos)
    scores = [(path.name, score_photo(path, settings=Settings(model_folder=keen)).fruit) for path in photos]
    lines = [
        f"{name},{row['fruit']},{'downgraded' if row['downgraded'] else 'sound'}"
        for name, fruit in scores
        for row in fruit.to_dict("records")
    ]
    (tmp_path / "fruit.csv").write_text("\n".join(["photo,fruit,verdict", *lines]))
    arguments = ["--records", tmp_path / "season.sqlite", "--who", "Finch", "--said-at", "2026-02-14"]
    result = run("train", "labels", tmp_path / "fruit.csv", *arguments)
    assert result.exit_code == 0, result.output
    return records


def test_a_fit_that_comes_to_its_end_puts_a_model_on_the_shelf_and_says_what_it_gains(verdicts: URL) -> None:
    start(ANALYST, verdicts, "Keen eyes", Wishes())
    after = ended(verdicts)
    assert after.state == FINISHED, after
    assert "proposals count as marks from 0.1 instead of 0.3." in after.said
    shipped, fitted = kept_models(shelf_beside(verdicts))
    assert shipped.name == SHIPPED
    assert fitted.name.startswith("keen-eyes-")
    assert fitted.trouble == ""
    assert fitted.card["mark_from"] == 0.1


def test_a_fit_that_is_stopped_leaves_nothing_and_says_so(season: URL) -> None:
    start(ANALYST, season, "north", WISHES)
    stop(ANALYST, season)
    after = now(season)
    assert after.state == STOPPED, after
    assert nothing_half_kept(season)


def test_only_one_is_fitted_at_a_time_and_one_that_is_killed_is_told(season: URL) -> None:
    start(ANALYST, season, "north", WISHES)
    os.kill(number_of_process(season), signal.SIGSTOP)  # or on a fast machine it is done before another one asks
    with pytest.raises(
        ModelError, match=r"^Finch is having a model fitted, north; wait for its end, or stop it first\.$"
    ):
        start(Person("Plover", ANALYST.roles), season, "south", WISHES)
    assert now(season).name == "north"
    os.kill(number_of_process(season), signal.SIGKILL)
    after = ended(season)
    assert after.state == DIED
    assert nothing_half_kept(season)


def number_of_process(records: URL) -> int:
    return int(json.loads((Path(str(records.database)).parent / "season.fitting" / "run.json").read_text())["pid"])


@pytest.mark.parametrize("name", ["", "   ", "../north", "-north", "a/b", "x" * 41, "north\x00"])
def test_a_model_needs_a_name_that_can_be_a_folders(records: URL, name: str) -> None:
    with pytest.raises(ModelError, match=r"^Give the model a name of 1 to 40 letters"):
        start(ANALYST, records, name, WISHES)
    assert state(ANALYST, records) is None


def test_who_fits_is_named_and_may_train(records: URL) -> None:
    with pytest.raises(ModelError, match="say your name first"):
        start(Person(" ", ANALYST.roles), records, "north", WISHES)
    with pytest.raises(AccessError, match="may not train"):
        start(OFFICER, records, "north", WISHES)
    with pytest.raises(AccessError, match="may not train"):
        state(OFFICER, records)
    with pytest.raises(AccessError, match="may not train"):
        stop(OFFICER, records)
    assert state(ANALYST, records) is None
