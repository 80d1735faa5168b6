"""Whether an answer tells a browser all that it may not do with it."""

from __future__ import annotations

import httpx2

ALWAYS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
}


def assert_safe(answer: httpx2.Response) -> None:
    """Each header stands there once, whatever the answer is; nothing inline runs in a page, and
    nothing at all in what is no page."""
    asked = (answer.request.method, answer.request.url.path, answer.status_code)
    found = {name: answer.headers.get_list(name) for name in ALWAYS}
    assert found == {name: [value] for name, value in ALWAYS.items()}, asked
    assert len(answer.headers.get_list("cache-control")) == 1, asked
    (policy,) = answer.headers.get_list("content-security-policy")
    rules = dict(rule.strip().partition(" ")[::2] for rule in policy.split(";"))
    assert rules["default-src"] == rules["frame-ancestors"] == "'none'", asked
    sources = {name: said for name, said in rules.items() if name.endswith("-src")}
    del sources["default-src"]
    if answer.headers.get("content-type", "").startswith("text/html"):
        assert set(sources.values()) == {"'self'"}, asked
        assert rules["base-uri"] == "'none'", asked
        assert rules["require-trusted-types-for"] == "'script'", asked
        assert answer.headers["permissions-policy"], asked
    else:
        assert sources == {}, asked
