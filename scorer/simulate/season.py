"""An invented week at an invented orchard: fourteen tray photos of five crews with different habits.

Everything here is made up: orchard, crews, bins, days and fruit. It shows what scoring tells of crews whose
habits are known, and is what the README's first command scores.
"""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np

from scorer.card.correction import no_correction
from scorer.card.definition import load_card
from scorer.card.pose import find_card
from scorer.card.sharpness import marker_edge_width
from scorer.simulate.render import simulate_tray
from scorer.simulate.settings import TraySettings
from scorer.simulate.truth import SimulatedTray, write_tray
from scorer.tag import Tag, encode_tag, read_tag

SEED = 2026
"""Seed of the sample photos that come with scorer."""
TAG_COLUMNS = ("crew", "bin", "picked_at", "method", "side")
DAYS_UNTIL_SCORED = 2
MOST_TAKES = 25
SOFTEST_EDGE_MM = 1.0
JPEG_QUALITY = 93
_MONDAY = datetime(2026, 1, 12)


@dataclass(frozen=True)
class Crew:
    """A picking crew: its name, how it picks, and the marks that its habit leaves, per fruit and kind."""

    name: str
    method: str
    habits: Mapping[str, float]


CREWS = (
    Crew("Bowerbird", "hand_snap", {"sap": 0.75, "abrasion": 0.12, "cut": 0.03}),  # snaps the stems dry
    Crew("Paperbark", "hand_snap", {"abrasion": 0.7, "sap": 0.12, "crease": 0.08}),  # tips the picking bags
    Crew("Curlew", "hand_clip", {"cut": 0.5, "puncture": 0.15, "sap": 0.1}),  # cuts fruit with the clippers
    Crew("Brolga", "pole", {"puncture": 0.35, "crease": 0.3, "abrasion": 0.15}),  # leaves stems long, packs tight
    Crew("Quandong", "harvest_aid", {"sap": 0.06, "abrasion": 0.08}),  # careful
)


@dataclass(frozen=True)
class Visit:
    """One tray photo of the season: whose bin, when it was picked, how many fruit, and where it was taken."""

    crew: Crew
    bin: str
    side: str
    picked_at: datetime
    fruit: int
    size_px: tuple[int, int]
    look: str
    floor: str
    light: str
    minutes_later: int

    @property
    def stem(self) -> str:
        """Name of the photo without ending."""
        return f"{self.bin}_{self.side}"

    @property
    def tag(self) -> Tag:
        """What the bin's tag says."""
        return Tag(self.crew.name, self.bin, self.picked_at, self.crew.method, self.side)

    @property
    def settings(self) -> TraySettings:
        """What the simulator is told; the rest it draws."""
        taken_at = self.picked_at + timedelta(days=DAYS_UNTIL_SCORED, hours=5, minutes=self.minutes_later)
        return TraySettings(
            image_size=self.size_px,
            floor=self.floor,
            look=self.look,
            light=self.light,
            tag=encode_tag(self.tag),
            habits=self.crew.habits,
            card=True,
            fruit=self.fruit,
            walls=True,
            lookalikes=1.0,
            focal_35mm=26.0,
            taken_at=taken_at,
            exif_focal=True,
        )


def season() -> tuple[Visit, ...]:
    """Return the season's trays in the order in which they were picked."""
    bowerbird, paperbark, curlew, brolga, quandong = CREWS
    plan = (
        (bowerbird, "T014", "a", 0, 6.50, 9, (2016, 1512), "hard_green", "pale_blue", "window"),
        (paperbark, "T017", "a", 0, 8.25, 8, (2400, 1800), "hard_green", "white", "tubes"),
        (quandong, "T021", "a", 0, 9.75, 10, (2016, 1512), "turning", "pale_blue", "window"),
        (curlew, "T026", "a", 1, 6.75, 8, (2268, 1701), "red_blush", "green_liner", "overcast"),
        (brolga, "T029", "a", 1, 8.00, 8, (2016, 1512), "turning", "grey", "tubes"),
        (bowerbird, "T033", "a", 1, 9.25, 9, (2016, 1512), "red_blush", "cream", "window"),
        (bowerbird, "T033", "b", 1, 9.25, 9, (2016, 1512), "red_blush", "cream", "window"),
        (paperbark, "T038", "a", 2, 7.00, 9, (2400, 1800), "grey_green", "dark_grey", "tubes"),
        (quandong, "T041", "a", 2, 8.50, 8, (2016, 1512), "red_blush", "green_liner", "overcast"),
        (quandong, "T041", "b", 2, 8.50, 8, (2016, 1512), "red_blush", "green_liner", "overcast"),
        (curlew, "T046", "a", 3, 6.50, 9, (2268, 1701), "hard_green", "white", "window"),
        (brolga, "T048", "a", 3, 9.00, 8, (2016, 1512), "yellow", "pale_blue", "tubes"),
        (bowerbird, "T052", "a", 4, 7.25, 8, (1512, 2016), "turning", "cardboard", "window"),
        (quandong, "T055", "a", 4, 8.75, 9, (2400, 1800), "hard_green", "grey", "overcast"),
    )
    return tuple(
        Visit(crew, bin_, side, _MONDAY + timedelta(days=day, hours=hour), fruit, size, look, floor, light,
              6 if side == "b" else 0)
        for crew, bin_, side, day, hour, fruit, size, look, floor, light in plan
    )  # fmt: skip


def write_season(
    folder: Path,
    seed: int = SEED,
    *,
    visits: Sequence[Visit] | None = None,
    truth_folder: Path | None = None,
    on_done: Callable[[Path], None] = lambda photo: None,
) -> None:
    """Write the season's photos, ``manifest.csv`` of the photos and ``tags.csv`` of the bins' tags.

    Parameters
    ----------
    folder : made if missing; gets the photos ``<bin>_<side>.jpg`` and both lists.
    seed : the same seed and the same version of scorer give the same photos.
    visits : the first trays of the season; all of them when None.
    truth_folder : gets the truth of each photo, as `write_tray` writes it; None keeps none.
    on_done : told of each photo once it is written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    visits = season() if visits is None else visits
    for index, visit in enumerate(visits):
        tray = draw_visit(visit, [seed, index])
        photo = folder / f"{visit.stem}.jpg"
        with tempfile.TemporaryDirectory() as work:
            write_tray(tray, Path(work), visit.stem)
            photo.write_bytes((Path(work) / "photos" / photo.name).read_bytes())
            if truth_folder is not None:
                truth_folder.mkdir(parents=True, exist_ok=True)
                for told in sorted((Path(work) / "truth").iterdir()):
                    (truth_folder / told.name).write_bytes(told.read_bytes())
        on_done(photo)
    _write_list(folder / "manifest.csv", ("photo", *TAG_COLUMNS), _manifest_rows(visits))
    _write_list(folder / "tags.csv", TAG_COLUMNS, (row[1:] for row in _manifest_rows(visits)))


def draw_visit(visit: Visit, seed: Sequence[int]) -> SimulatedTray:
    """Draw one tray of the season, again and again until an officer would keep its photo.

    Parameters
    ----------
    visit : which tray.
    seed : of this tray; for the one at place ``i`` of `season`, the season's seed and ``i``.
    """
    for take in range(MOST_TAKES):
        tray = simulate_tray([*seed, take], visit.settings)
        if _would_be_kept(tray, visit):
            break
    return replace(tray, exif=replace(tray.exif, jpeg_quality=JPEG_QUALITY))


def _would_be_kept(tray: SimulatedTray, visit: Visit) -> bool:
    """Whether all fruit lie whole in the photo, it is well lit and sharp, and card and tag can be read."""
    if len(tray.truth["fruit"]) != visit.fruit or _touches_edge(tray):
        return False
    brightness = tray.bgr.max(axis=2)[tray.fruit_mask > 0]
    if not 70 <= float(np.median(brightness)) <= 215 or float((brightness >= 250).mean()) > 0.02:
        return False
    grey = np.asarray(cv2.cvtColor(tray.bgr, cv2.COLOR_BGR2GRAY), np.uint8)
    if read_tag(grey) != visit.tag:
        return False
    card = load_card()
    pose = find_card(grey, card, visit.settings.focal_35mm)
    if pose is None:
        return False
    edge = marker_edge_width(tray.bgr, pose, card, no_correction())
    return edge is not None and edge.mm <= SOFTEST_EDGE_MM


def _touches_edge(tray: SimulatedTray) -> bool:
    mask = tray.fruit_mask
    return bool(mask[[0, -1]].any() or mask[:, [0, -1]].any())


def _manifest_rows(visits: Sequence[Visit]) -> Iterator[tuple[str, ...]]:
    for visit in visits:
        picked_at = visit.picked_at.isoformat(timespec="minutes")
        yield f"{visit.stem}.jpg", visit.crew.name, visit.bin, picked_at, visit.crew.method, visit.side


def _write_list(path: Path, header: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)
