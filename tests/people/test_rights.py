"""Roles and rights: every one decided, the page as the table."""

from pathlib import Path

import pytest

from platelink.contract.words import Role
from platelink.people import docs
from platelink.people.rights import RIGHTS, Right, may, refusal

PAGE = Path(__file__).parents[2] / "docs/people.md"

EVERYBODY = {Right.READ, Right.OWN_SECRET}
AT_WORK = {
    Right.RUN,
    Right.ANSWER_ALARMS,
    Right.USE_LOTS,
    Right.USE_SCREENS,
    Right.USE_FILMS,
    Right.DO_MAINTENANCE,
    Right.DRAFT_RECIPES,
    Right.CALIBRATE,
    Right.EXPERIMENT,
    Right.NOTE_PLATES,
}
LEADS_ONLY = {
    Right.SKIP_STEPS,
    Right.ACCEPT_OVERDUE,
    Right.CHANGE_ALARMS,
    Right.DROP_LESSONS,
    Right.SIGN_RECIPES,
    Right.SIGN_CALIBRATIONS,
    Right.CHANGE_LOTS,
    Right.CHANGE_SCREENS,
    Right.CHANGE_FILMS,
    Right.CHANGE_MAINTENANCE,
    Right.CHANGE_PEOPLE,
    Right.CORRECT_PLATES,
}
WANTED = {
    Role.OPERATOR: EVERYBODY | AT_WORK,
    Role.LEAD: EVERYBODY | AT_WORK | LEADS_ONLY,
    Role.AUDITOR: EVERYBODY,
}


def test_every_right_is_decided_here_and_there() -> None:
    assert set(RIGHTS) == set(Right) == WANTED[Role.LEAD]
    assert set(WANTED) == set(Role)


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("right", Right)
def test_each_role_has_its_rights_and_no_other(role: Role, right: Right) -> None:
    assert may(role, right) is (right in WANTED[role])
    assert (refusal(role, right) is None) is may(role, right)


def test_a_refusal_says_whom_to_ask() -> None:
    assert refusal(Role.AUDITOR, Right.RUN) == (
        "the role auditor may not run plates and exposures; ask somebody with the role "
        "operator or lead"
    )
    assert refusal(Role.OPERATOR, Right.SKIP_STEPS) == (
        "the role operator may not skip steps; ask somebody with the role lead"
    )


def test_the_page_has_the_table_as_it_is(tmp_path: Path) -> None:
    text = PAGE.read_text("utf-8")
    assert docs.page(text) == text
    copy = tmp_path / "people.md"
    copy.write_text(text.replace("| yes |", "| no |"), "utf-8")
    assert docs.main([str(copy)]) == 0
    assert copy.read_text("utf-8") == text
    assert docs.main([]) == 2
