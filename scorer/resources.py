"""Where the files that scorer reads at run time lie: inside an installed package, or in the checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shared_folder() -> Path:
    """Folder of the card definition, limit tables and texts that scorer, app and tests all read."""
    return _installed_or_checkout("_shared", "shared")


def models_folder() -> Path:
    """Folder of the fitted models and their cards."""
    return _installed_or_checkout("_models", "models")


def sample_folder() -> Path:
    """Folder of the sample photos of an invented season, with their manifest."""
    return _installed_or_checkout("_samples", "sample_images")


def fonts_folder() -> Path:
    """Folder of the fonts that sheets and charts are set in."""
    return _PACKAGE / "printing" / "fonts"


def _installed_or_checkout(installed: str, checkout: str) -> Path:
    packaged = _PACKAGE / installed
    return packaged if packaged.is_dir() else _PACKAGE.parent / checkout
