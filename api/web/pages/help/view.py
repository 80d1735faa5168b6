"""The help: the manual, a page a chapter, and all of it on one page to search or to print."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from api.web.pages.help import manual
from api.web.pages.shared.rendering import page

router = APIRouter(include_in_schema=False)


@router.get("/help")
def help_page(request: Request) -> HTMLResponse:
    """What there is to read."""
    return page(
        request,
        "help/page.html",
        part="help",
        chapter=manual.chapter(manual.INDEX),
        is_index=True,
        before=None,
        after=None,
    )


@router.get("/help/all")
def whole_page(request: Request) -> HTMLResponse:
    """All chapters on one page: a browser's own search finds in it whatever the help says."""
    chapters = [manual.chapter(name, whole=True) for name in (manual.INDEX, *manual.names())]
    return page(request, "help/all.html", part="help", chapters=chapters)


@router.get("/help/{name}")
def chapter_page(request: Request, name: str) -> HTMLResponse:
    """One chapter."""
    names = manual.names()
    if name not in names:
        return page(
            request,
            "shared/missing.html",
            status=404,
            title="No such page of the help",
            message="The help has no such page. Its first page leads to all that there are.",
            part="help",
        )
    at = names.index(name)
    return page(
        request,
        "help/page.html",
        part="help",
        chapter=manual.chapter(name),
        is_index=False,
        before=manual.chapter(names[at - 1]) if at else None,
        after=manual.chapter(names[at + 1]) if at + 1 < len(names) else None,
    )
