"""The figures as one table and one file, and what moved since an earlier file."""

from __future__ import annotations

import os
import platform
import sqlite3
import statistics
import subprocess
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from scipy.stats import mannwhitneyu

from api import VERSION
from benchmarks.measuring import Row
from tests.api.postgres import binaries

_BEGIN: Final = "<!-- Written by python -m benchmarks --write -->"
_END: Final = "<!-- The end of what it writes -->"

# One change in a hundred that is said is chance: of a hundred rows that stay, about one.
_CHANCE: Final = 0.01
# Two starts of one unchanged program differ by some per cent, for where its memory lies
# (Mytkowicz and others, ASPLOS 2009, from memory), which more rounds of one start do not show.
_LEAST: Final = 0.05

RULE: Final = (
    "Compared are the ratios to the baseline, round by round, so that another machine may have"
    " measured the earlier file; where there is no baseline, the figures themselves. Moved: the"
    f" two-sided Mann-Whitney test gives p <= {_CHANCE:g} and the medians differ by more than"
    f" {_LEAST:.0%}. Of a hundred rows that stay, about one seems to move."
)


def machine() -> dict[str, str]:
    """What the figures were measured with, and when."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        named = [line for line in info.read_text().splitlines() if line.startswith("model name")]
        model = named[0].partition(": ")[2] if named else model
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1024**3
    postgres = subprocess.run(
        [binaries() / "postgres", "--version"], capture_output=True, text=True, check=True
    )
    return {
        "processor": model,
        "cores": str(os.cpu_count()),
        "memory": f"{memory:.0f} GB",
        "load before": f"{os.getloadavg()[0]:.1f}",
        "kernel": f"{platform.system()} {platform.release()}",
        "Python": platform.python_version(),
        "SQLite": sqlite3.sqlite_version,
        "PostgreSQL": postgres.stdout.split()[-1],
        "bothends": VERSION,
        "date": f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
    }


def as_json(where: dict[str, str], command: str, rows: Iterable[Row]) -> dict[str, Any]:
    return {"command": command, "machine": where, "rows": [row.as_json() for row in rows]}


def markdown(found: dict[str, Any]) -> str:
    """The table, after the lines that say how and on what it was measured."""
    where = ", ".join(f"{name} {value}" for name, value in found["machine"].items())
    lines = [
        f"`{found['command']}`; {where}.",
        "",
        "| work | bothends | beside | takes | ratio | middle half |",
        "| --- | ---: | --- | ---: | ---: | ---: |",
    ]
    return "\n".join([*lines, *(_line(row) for row in found["rows"])]) + "\n"


def _line(row: dict[str, Any]) -> str:
    ours = _figure(row["ours"], row["unit"])
    if not row["beside"]:
        return f"| {row['name']} | {ours} | | | | |"
    theirs = _figure(row["baseline"], row["unit"])
    low, middle, high = quartiles(row["ratios"])
    return (
        f"| {row['name']} | {ours} | {row['beside']} | {theirs}"
        f" | {middle:.2f} | {low:.2f} to {high:.2f} |"
    )


def _figure(values: Sequence[float], unit: str) -> str:
    middle = statistics.median(values)
    digits = 0 if abs(middle) >= 100 else 1 if abs(middle) >= 10 else 2
    return f"{middle:,.{digits}f} {unit}".strip()


def quartiles(values: Sequence[float]) -> tuple[float, float, float]:
    if len(values) < 2:
        return values[0], values[0], values[0]
    low, middle, high = statistics.quantiles(values, n=4, method="inclusive")
    return low, middle, high


def compared(now: dict[str, Any], earlier: dict[str, Any]) -> str:
    """What moved since then, and what did not, as Markdown."""
    before = {(row["name"], row["beside"]): row for row in earlier["rows"]}
    where = ", ".join(f"{name} {value}" for name, value in earlier["machine"].items())
    lines = [
        f"Beside `{earlier['command']}`; {where}. {RULE}",
        "",
        "| work | beside | before | now | ratio before | ratio now | |",
        "| --- | --- | ---: | ---: | ---: | ---: | --- |",
    ]
    for row in now["rows"]:
        old = before.pop((row["name"], row["beside"]), None)
        new_ratio = _figure(row["ratios"], "") if row["ratios"] else ""
        ours = _figure(row["ours"], row["unit"])
        if old is None:
            shown = ["", ours, "", new_ratio, "new"]
        else:
            old_ratio = _figure(old["ratios"], "") if old["ratios"] else ""
            said = moved(old["ratios"] or old["ours"], row["ratios"] or row["ours"])
            shown = [_figure(old["ours"], old["unit"]), ours, old_ratio, new_ratio, said]
        lines.append(f"| {' | '.join([row['name'], row['beside'], *shown])} |")
    return "\n".join(lines) + "\n"


def moved(before: Sequence[float], now: Sequence[float]) -> str:
    """In words, whether the figures moved beyond noise (see RULE); less is better."""
    # Mann and Whitney, Annals of Mathematical Statistics 18, 1947, 50-60: exact, no distribution
    # assumed. With fewer rounds not even figures that lie wholly apart could give so small a p.
    separate = mannwhitneyu(range(len(before)), range(-len(now), 0)).pvalue
    if separate > _CHANCE:
        return "too few rounds to tell"
    old, new = statistics.median(before), statistics.median(now)
    change = new / old - 1
    if abs(change) <= _LEAST or mannwhitneyu(before, now).pvalue > _CHANCE:
        return "no change beyond noise"
    return f"**{'worse' if change > 0 else 'better'}**, {change:+.0%}"


def put_into(page: Path, table: str) -> None:
    """Write the table between the two marks of a page.

    Raises ValueError where the page has no such marks.
    """
    text = page.read_text()
    before, begin, rest = text.partition(_BEGIN)
    _, end, after = rest.partition(_END)
    if not begin or not end:
        raise ValueError(f"{page} has no place for the table: {_BEGIN} and then {_END}")
    page.write_text(f"{before}{begin}\n\n{table}\n{end}{after}")
