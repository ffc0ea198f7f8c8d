"""The shelf: fitted models kept beside the records, each in a folder of its own, whole and never changed.

::

    season.models/north-block-3f2a90c17be4/detector.skops, kinds.skops, card.json, card.md
                  history/000001.json       which model is in use, see ``scorer.model_shelf.history``
"""

from __future__ import annotations

import hashlib
import re
import secrets
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from sqlalchemy.engine import URL

from scorer.access.roles import Person, Right
from scorer.errors import ModelError, OutputError, ScorerError
from scorer.kinds import CARD_FILE, load_model
from scorer.model_card import write_card_text
from scorer.records.beside import place_beside
from scorer.resources import models_folder
from scorer.results import UNFINISHED, reason_of

SHIPPED: Final = "shipped"
"""Name of the model that comes with scorer; it is on every shelf."""
HISTORY_FOLDER: Final = "history"
HASH_SIGNS: Final = 12
"""So many first hex digits of a model's SHA-256 end its name."""

_NAME: Final = re.compile(rf"(?:[a-z0-9]+-)+[0-9a-f]{{{HASH_SIGNS}}}", re.ASCII)
_LONGEST_STEM: Final = 40
_MODELS_REMEMBERED: Final = 64


@dataclass(frozen=True)
class Shelf:
    """Where models are kept.

    Parameters
    ----------
    folder : of the model folders; made when the first model is kept.
    """

    folder: Path


@dataclass(frozen=True)
class KeptModel:
    """A model on the shelf, or what is wrong with its folder.

    Parameters
    ----------
    name : of its folder, ending in the first HASH_SIGNS of ``sha256``; SHIPPED for the one that comes with scorer.
    folder : where it lies.
    sha256 : of the model, as scores name it; "" where the folder cannot be loaded.
    made_on : day on which it was fitted, as its card says.
    card : its card; empty where the folder cannot be loaded.
    card_sha256 : of the card's file, which also holds limits that the model names by.
    trouble : why the folder cannot be loaded, in one sentence; "" for a sound one.
    """

    name: str
    folder: Path
    sha256: str = ""
    made_on: str = ""
    card: Mapping[str, Any] = field(default_factory=dict)
    card_sha256: str = ""
    trouble: str = ""


def shelf_beside(records_url: URL | str) -> Shelf:
    """The shelf of the records at this address.

    Raises
    ------
    RecordsError : the records have no place of their own.
    """
    return Shelf(place_beside(records_url, "models"))


def kept_models(shelf: Shelf) -> list[KeptModel]:
    """All models by name, the shipped one first; a folder that cannot be loaded has its ``trouble`` in words.

    Raises
    ------
    ModelError : the shelf itself cannot be read.
    """
    try:
        there = sorted(path for path in shelf.folder.iterdir() if path.is_dir()) if shelf.folder.exists() else []
    except OSError as error:
        raise ModelError(f"{shelf.folder} cannot be read ({reason_of(error)}); check its rights.") from error
    own = [path for path in there if path.name != HISTORY_FOLDER and not path.name.startswith(".")]
    return [model_at(models_folder() / "marks", SHIPPED), *(model_at(path) for path in own)]


def folder_of(shelf: Shelf, name: str) -> Path:
    """Where a model of this name lies, sound or not.

    Raises
    ------
    ModelError : there is none of this name.
    """
    if name == SHIPPED:
        return models_folder() / "marks"
    folder = shelf.folder / name
    if _NAME.fullmatch(name) and folder.is_dir():
        return folder
    raise ModelError(f"There is no model {name!r} in {shelf.folder}; `scorer models list` shows those that there are.")


def kept_model(shelf: Shelf, name: str) -> KeptModel:
    """The sound model of this name.

    Raises
    ------
    ModelError : there is none of this name, or its folder cannot be loaded.
    """
    folder = folder_of(shelf, name)
    found = model_at(folder, name)
    if found.trouble:
        raise ModelError(found.trouble)
    return found


def add_model(person: Person, shelf: Shelf, folder: Path) -> KeptModel:
    """Copy a fitted model's folder onto the shelf, whole, with its card as Markdown beside.

    Its name there is that of the folder, in small letters, digits and dashes, and the first signs of its hash.

    Raises
    ------
    AccessError : the person may not keep models.
    ModelError : the folder holds no model that can be loaded, or the shelf has this one already.
    OutputError : the shelf cannot be written.
    """
    person.must(Right.TRAIN)
    offered = model_at(folder.absolute(), folder.absolute().name, any_name=True)
    if offered.trouble:
        raise ModelError(offered.trouble)
    _must_be_new(shelf, offered)
    name = f"{_stem(folder.absolute().name)}-{offered.sha256[:HASH_SIGNS]}"
    unfinished = shelf.folder / f".{name}.{secrets.token_hex(8)}{UNFINISHED}"
    try:
        shelf.folder.mkdir(parents=True, exist_ok=True)
        shutil.copytree(folder, unfinished)
        copied = model_at(unfinished, name, any_name=True)
        if (copied.sha256, copied.card_sha256) != (offered.sha256, offered.card_sha256):
            raise ModelError(f"{folder.name} changed while it was copied; wait until it is written and add it again.")
        write_card_text(unfinished)
        if (shelf.folder / name).exists():
            _must_be_new(shelf, offered)
            raise ModelError(f"{name} is there, but cannot be loaded; move that folder away, then add the model again.")
        unfinished.rename(shelf.folder / name)
    except (OSError, shutil.Error) as error:
        _must_be_new(shelf, offered)  # somebody else was quicker with the same model
        reason = reason_of(error) if isinstance(error, OSError) else str(error)
        raise OutputError(f"{folder.name} cannot be kept in {shelf.folder} ({reason}); make room there.") from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    return model_at(shelf.folder / name)


def model_at(folder: Path, name: str | None = None, *, any_name: bool = False) -> KeptModel:
    """The model in a folder as it lies on the disk now, or its trouble in words; raises nothing for a bad folder.

    Parameters
    ----------
    name : what it is called; the folder's own name when None.
    any_name : whether the name need not end in the model's hash, as on the shelf it does.
    """
    name = name or folder.name
    try:
        content = _content_of(folder)
        sha256, card = _loaded(content) if content else _load(folder)
    except ScorerError as error:
        return KeptModel(name, folder, trouble=str(error))
    if name != SHIPPED and not any_name and not (_NAME.fullmatch(name) and name.endswith(sha256[:HASH_SIGNS])):
        said = f"{name}: the folder's name is not that of the model in it; restore it, or add the folder under its own."
        return KeptModel(name, folder, trouble=said)
    return KeptModel(name, folder, sha256, str(card.get("made_on", "")), card, content.stamp[0] if content else "")


@dataclass(frozen=True)
class _Content:
    """What lies in a folder: two are the same where the hashes of the card and of all fitted files are."""

    stamp: tuple[str, ...]
    folder: Path = field(compare=False)


def _content_of(folder: Path) -> _Content | None:
    """None where a file cannot be read; loading says which."""
    try:
        card, *fitted = [folder / CARD_FILE, *sorted(folder.glob("*.skops"))]
        stamp = [_sha256(card), *(f"{file.name} {_sha256(file)}" for file in fitted)]
    except OSError:
        return None
    return _Content(tuple(stamp), folder)


def _sha256(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


@lru_cache(maxsize=_MODELS_REMEMBERED)
def _loaded(content: _Content) -> tuple[str, Mapping[str, Any]]:
    """``_load``, once for each content; what is refused is not remembered."""
    return _load(content.folder)


def _load(folder: Path) -> tuple[str, Mapping[str, Any]]:
    """Hash and card of the model in a folder.

    Raises
    ------
    ModelError : it cannot be used.
    """
    try:
        model = load_model.__wrapped__(folder)  # past its memory of folders: what lies on the disk now is asked
    except (AttributeError, LookupError, TypeError, ValueError, RecursionError) as error:  # a card of another shape
        said = f"{folder.name}: the model's card is not one that scorer writes ({error!r}); restore the folder."
        raise ModelError(said) from error
    if not (0 <= model.mark_from <= 1 and 0 <= model.sure_from <= 1):
        raise ModelError(
            f"{folder.name}: the card's limits mark_from and sure_from are no probabilities; restore the folder."
        )
    return model.sha256, model.card


def _must_be_new(shelf: Shelf, offered: KeptModel) -> None:
    for kept in kept_models(shelf):
        if kept.sha256 != offered.sha256:
            continue
        alike = "" if kept.card_sha256 == offered.card_sha256 else ", with another card"
        raise ModelError(f"The shelf has this model already, as {kept.name}{alike}; there is nothing to add.")


def _stem(folder_name: str) -> str:
    """A folder's name as part of a model's: small letters, digits and dashes, without a hash that ends it already."""
    plain = re.sub(r"[^a-z0-9]+", "-", folder_name.lower(), flags=re.ASCII).strip("-")
    if _NAME.fullmatch(plain):
        plain = plain[: -HASH_SIGNS - 1]
    return plain[:_LONGEST_STEM].strip("-") or "model"
