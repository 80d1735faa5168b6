"""What `bothends correct` shows: what can be corrected, the trail, and which results would move."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from typing import Any, Final

from api.commands import plain

_DECIMALS: Final = 4  # of a result whose uncertainty is not known


def listed(found: Sequence[Any], line: Callable[[Any], str]) -> None:
    for each in found:
        # Notes and reasons hold what somebody elsewhere wrote.
        print(plain(line(each)))
    if not found:
        print("there is none yet")


def called(each: Any, more: str = "") -> str:
    """ "Window saw, retired"; more: what is said of it between."""
    return f"{each['name']}{more}{', retired' if each['retired_at'] else ''}"


def moment(text: str) -> str:
    return f"{text[:10]} {text[11:16]} UTC"


def head(line: Any) -> str:
    return f"{moment(line['started_at'])}, {line['machine']['name']}, {line['method']}"


def change(change: Any) -> str:
    from api.store.authors import in_words

    about = f"{change['subject_kind']} {change['subject']}"
    if change["trial"] is not None:
        about += f", strip {change['trial']}"
    said = [f"by {in_words(change['who'], change['through'])}"] if change["who"] else []
    said += [change["reason"]] if change["reason"] else []
    said += ["undone"] if change["undone"] else []
    more = f" ({', '.join(said)})" if said else ""
    return (
        f"{change['id']}  {moment(change['at'])}, {about}: {change['field']}"
        f" {_value(change['before'])} -> {_value(change['after'])}{more}"
    )


def _value(value: Any) -> str:
    match value:
        case None:
            return "nothing"
        case bool():
            return "yes" if value else "no"
        case list():
            return ", ".join(map(str, value))
        case {"series": series, "trials": trials}:
            return f"{_value(trials)} of series {series}"
        case _:
            return str(value)


def show_moved(args: argparse.Namespace, found: Any) -> None:
    for each in found["moved"]:
        before, after = each["before"], each["after"]
        print(f"{after['id']}  {head(after)}")
        if before is not None and before["machine"] != after["machine"]:
            print(f"  machine: {before['machine']['name']} -> {after['machine']['name']}")
        for name, quantity in after["quantities"].items():
            was = {} if before is None else before["quantities"]
            print(f"  {name}: {_result(was.get(name))} -> {_result(quantity)}")
    corrected = f"{found['corrected']} series would be corrected"
    if getattr(args, "merge_into", None) is not None:
        corrected = f"all that was measured on {args.id} would be of {args.merge_into}"
    print(
        f"{corrected}; of {found['looked_at']} series that were compared, the latest,"
        f" {len(found['moved'])} would read otherwise; nothing was stored"
    )


def _result(quantity: Any) -> str:
    """ "0.052 ± 0.011 degrees of 5 trials, needs adjusting"."""
    from analysis.sentences import Measure, cuts, decimals_for

    if quantity is None or quantity["mean"] is None:
        return "no result"
    expanded = quantity["expanded_uncertainty"]
    decimals = _DECIMALS if expanded is None else decimals_for(expanded)
    unit: Final = "degrees" if quantity["unit"] == "deg" else "mm"
    measure = Measure(quantity["mean"], expanded, unit, decimals)
    verdict = f", {quantity['verdict']}" if quantity["verdict"] else ""
    return f"{measure} of {cuts(quantity['trials'])}{verdict}"
