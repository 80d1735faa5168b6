"""The methods there are."""

from __future__ import annotations

from fastapi import APIRouter

from analysis.methods import METHODS
from api.web.shapes import MethodOut

router = APIRouter(tags=["methods"])


@router.get("/methods")
def methods() -> list[MethodOut]:
    return [MethodOut.model_validate(m) for m in METHODS.values()]
