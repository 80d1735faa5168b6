"""Brings the store whose URL comes on standard input up to date; see `upgrade_apart`."""

from __future__ import annotations

import sys

from api.store.engine import StoreError, open_engine
from api.store.migrations import upgrade

try:
    upgrade(open_engine(sys.stdin.read()))
except StoreError as error:
    sys.exit(str(error))
