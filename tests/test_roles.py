"""Roles and rights: each right is somebody's, and somebody without a role may nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.access.roles import RIGHTS, Person, Right, Role
from scorer.errors import AccessError

people = st.builds(Person, st.text(max_size=20), st.frozensets(st.sampled_from(Role)), host=st.booleans())


def test_every_right_but_that_of_the_host_is_given_to_some_role() -> None:
    assert {right for role in Role for right in RIGHTS[role]} == set(Right) - {Right.HOST}


@pytest.mark.parametrize("right", Right)
def test_somebody_without_a_role_may_nothing(right: Right) -> None:
    assert not Person("Bowerbird", frozenset()).may(right)


@given(people, st.sampled_from(Right))
def test_a_person_may_what_one_of_their_roles_may_and_the_host_let_phones_in(person: Person, right: Right) -> None:
    by_role = any(Person("", frozenset({role})).may(right) for role in person.roles)
    assert person.may(right) == (by_role or (person.host and right is Right.HOST))


@given(people, st.sampled_from(Right))
def test_what_a_person_may_not_is_refused_in_one_sentence_that_names_it(person: Person, right: Right) -> None:
    if person.may(right):
        person.must(right)
        return
    with pytest.raises(AccessError) as refused:
        person.must(right)
    assert right in str(refused.value)
    assert str(refused.value).endswith(".")


@pytest.mark.parametrize(
    ("role", "right"),
    [
        (Role.OFFICER, Right.SEE_CREWS),
        (Role.OFFICER, Right.PROMOTE),
        (Role.ANALYST, Right.HAND_IN),
        (Role.ANALYST, Right.PRINT_SHEETS),
        (Role.MANAGER, Right.SAY),
        (Role.MANAGER, Right.EDIT_TABLES),
    ],
)
def test_duties_of_different_people_are_kept_apart(role: Role, right: Right) -> None:
    """Who hands in sees no crews, who trains hands nothing in, who reads figures does not change what makes them."""
    assert not Person("Curlew", frozenset({role})).may(right)
