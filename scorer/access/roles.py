"""Roles and rights: what an officer, an analyst and a manager may do, asked by every call that reads or changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from scorer.errors import AccessError


class Role(StrEnum):
    """What a person is here for."""

    OFFICER = "officer"
    ANALYST = "analyst"
    MANAGER = "manager"


class Right(StrEnum):
    """What a person may do; the value says it in words."""

    HAND_IN = "hand in photos"
    SEE_TRAYS = "look at trays"
    SAY = "say what a mark or a fruit is"
    SEE_CREWS = "see crew figures"
    PRINT_SHEETS = "print crew sheets"
    EDIT_TABLES = "change limits and prices"
    TRAIN = "train and compare models"
    PROMOTE = "put a model to use"
    PLAN = "plan samples and print cards"
    SEE_RECORDS = "see the health of the records"
    HOST = "let phones in"


_ALL_ROLES: Final = frozenset({Right.SEE_TRAYS, Right.PLAN, Right.SEE_RECORDS})
RIGHTS: Final[Mapping[Role, frozenset[Right]]] = {
    Role.OFFICER: _ALL_ROLES | {Right.HAND_IN, Right.SAY},
    Role.ANALYST: _ALL_ROLES | {Right.SAY, Right.SEE_CREWS, Right.EDIT_TABLES, Right.TRAIN, Right.PROMOTE},
    Role.MANAGER: _ALL_ROLES | {Right.SEE_CREWS, Right.PRINT_SHEETS},
}
"""Rights of each role. HOST belongs to none: it is for whoever sits at the computer that shares its pages."""


@dataclass(frozen=True)
class Person:
    """Somebody at the pages.

    Parameters
    ----------
    name : as it is written beside what they decide; may be empty until they say it.
    roles : what they are here for.
    host : whether they sit at the computer that the pages run on.
    """

    name: str
    roles: frozenset[Role]
    host: bool = False

    def may(self, right: Right) -> bool:
        """Whether one of their roles gives this right."""
        return (right is Right.HOST and self.host) or any(right in RIGHTS[role] for role in self.roles)

    def must(self, right: Right) -> None:
        """Let the right through.

        Raises
        ------
        AccessError : none of their roles gives it.
        """
        if self.may(right):
            return
        needed = [role for role in Role if right in RIGHTS[role]]
        whom = f"ask for the role {' or '.join(needed)}" if needed else "do it on the computer that the pages run on"
        roles = ", ".join(sorted(self.roles)) or "no role"
        raise AccessError(f"{self.name or 'Somebody'} ({roles}) may not {right}; {whom}.")
