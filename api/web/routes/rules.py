"""By which rules verdicts are said."""

from __future__ import annotations

from fastapi import APIRouter

from analysis.rules import CHANGED, RULES
from api import VERSION
from api.answers.rules_changed import RulesChanged, rules_changed
from api.web.deps import TheServer, TheStore
from api.web.shapes.rules import RulesChangedOut, RulesOut, RulesSeenIn

router = APIRouter(tags=["machines"])


@router.get("/rules")
def get_rules(store: TheStore) -> RulesOut:
    """The number of today's rules, what each number changed, and which series read otherwise since
    the last change, until that was seen."""
    return _out(rules_changed(store))


@router.post("/rules/seen")
def say_rules_seen(body: RulesSeenIn, server: TheServer) -> RulesOut:
    """A person has seen what these rules changed: it is not shown again."""
    server.journal.rules_seen(body.rules)
    with server.reading() as store:
        return _out(rules_changed(store))


def _out(changed: RulesChanged | None) -> RulesOut:
    return RulesOut(
        rules=RULES,
        version=VERSION,
        changes=CHANGED,
        changed=None if changed is None else RulesChangedOut.model_validate(changed),
    )
