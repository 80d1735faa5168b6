"""What a server imports and compiles from its start to its first answers: done once here, for all
that are forked from this process."""

from __future__ import annotations

import scipy.special  # noqa: F401
import uvicorn.protocols.http.httptools_impl  # noqa: F401
import uvloop  # noqa: F401

import api.commands.serve
import api.demo
import api.web.app
import api.web.connections  # noqa: F401
from api.web.pages.shared.rendering import _templates

for _name in _templates.list_templates(extensions=["html"]):
    _templates.get_template(_name)
