"""How far a running series is: how many strips of how many, and whether it is enough."""

from __future__ import annotations

from dataclasses import dataclass

from analysis import sentences
from analysis.advice import too_few
from analysis.conformity import ADJUST, GOOD
from analysis.recut import scatter_known
from analysis.remedy import TO_FINISH
from analysis.sentences import Sentence
from api.answers.series import Scored
from api.store.facts import method_of


@dataclass(frozen=True, slots=True)
class Progress:
    """strips: complete ones that count. planned: None where no number was said before the first.
    enough: whether more would change nothing that is said at the end."""

    strips: int
    planned: int | None
    enough: bool
    sentence: Sentence


def progress(found: Scored) -> Progress:
    """Whether a series has told what it was cut for, and what would tell.

    Where a number was planned, it is enough when that is reached: its verdict is one look. Without
    one it is enough at the verdict, which holds though there is a look after every strip; to move
    something the scatter has to be known, too.
    """
    score, row = found.score, found.row
    noun, planned = method_of(row).noun, row.strips
    quantities = [q for q in score.quantities.values() if q.verdict is not None]
    if planned is not None and row.finished_at is None:
        waits = any(q.rule == "not yet" for q in quantities)
        if waits or score.trials < planned + (not quantities):
            return _planned(score.trials, planned, noun, bool(quantities))
    made = f"{sentences.cuts(score.trials, noun)} made"
    verdicts = {q.verdict for q in quantities}
    if ADJUST in verdicts and not scatter_known(method_of(row), score.trials):
        more = sentences.capital(too_few(score.trials, noun))
        return Progress(score.trials, planned, False, Sentence(f"{made}. {more}"))
    if ADJUST in verdicts or verdicts == {GOOD}:
        return Progress(score.trials, planned, True, Sentence(f"{made}: it is enough now."))
    way = next((q.remedy for q in quantities if q.remedy is not None), None)
    said = Sentence(f"{made}.") if way is None else Sentence(f"{made}. ", way.sentence)
    return Progress(score.trials, planned, False, said)


def _planned(trials: int, planned: int, noun: str, verdict: bool) -> Progress:
    made = f"{trials} of {sentences.cuts(planned, noun)} made"
    if trials < planned:
        return Progress(trials, planned, False, Sentence(f"{made}."))
    why = TO_FINISH if verdict else "it is enough now"
    return Progress(trials, planned, True, Sentence(f"{made}: {why}."))
