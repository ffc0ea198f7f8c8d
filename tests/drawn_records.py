"""Records to write into, and drawn scores to write."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
from sqlalchemy import Engine, create_engine, text
from sqlalchemy.engine import make_url

from scorer.records.database import open_records, records_url
from scorer.records.keep import OpenImport, open_import
from scorer.score_tables import TrayScore
from scorer.tag import Tag
from tests.drawn_trays import score_drawing

MODEL, OTHER_MODEL = "a" * 64, "b" * 64
ZONE = "Australia/Darwin"


def fresh_records(kind: str, folder: Path, address: Callable[[], str]) -> Engine:
    """Records without a row: in an SQLite file in the folder, or in the PostgreSQL database at the address."""
    if kind == "sqlite":
        return open_records(records_url(folder / "season.sqlite"))
    url = make_url(address()).set(drivername="postgresql+psycopg")
    emptied = create_engine(url)
    with emptied.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    emptied.dispose()
    return open_records(url)


def batch_into(engine: Engine, model: str = MODEL, **more: Any) -> OpenImport:
    """A batch in the records, with what a test does not care for filled in."""
    about = {"source": "photos", "software": "0.1.0", "limits": "shed", "zone": ZONE} | more
    return open_import(engine, model_sha256=model, model_card={"measures": ["solidity"]}, **about)


def tray_score(name: str, **tag: Any) -> TrayScore:
    """A drawn score with a whole tag."""
    about = {"crew": "Curlew", "bin": "T-7", "picked_at": datetime(2026, 1, 12, 6, 30), "method": "hand_snap"}
    return score_drawing(name, tag=Tag(**(about | tag)))


def joined(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Tables one below the other."""
    return pd.concat(tables, ignore_index=True)
