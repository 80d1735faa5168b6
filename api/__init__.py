"""The store, the HTTP API, the pages, and the command line."""

from typing import Final

VERSION: Final = "0.3.0"
