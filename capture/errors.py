"""The errors of the capture package.

CaptureError
 +- SpecError          the text that describes an instrument is wrong: the person corrects it
 |   +- PatternError   ... its regular expression
 |   +- LayoutError    ... its frame layout
 +- SourceError        the instrument cannot be read now; this may pass by itself
     +- SourceMissingError      there is no such port or device: plug it in
     +- SourceForbiddenError    permission is missing: join a group, add a rule
     +- SourceBusyError         another program has it: close that program
     +- SourceUnpluggedError    it was open and has been unplugged
     +- SourceUnsupportedError  this system or installation cannot read it: use another way

Each has the facts as attributes; `str()` is a sentence that can be shown to the person.
A bad *line* is not an error but a result (see `lines.Refused`, `values.NotUnderstood`).
"""

from __future__ import annotations


class CaptureError(Exception):
    """Base of all errors of capture. `sentence` says what happened and what to do."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


class SpecError(CaptureError):
    """`field` of an instrument's description is wrong; the sentence says what is allowed."""

    def __init__(self, field: str, sentence: str) -> None:
        super().__init__(sentence)
        self.field = field


class PatternError(SpecError):
    """The regular expression that should find the value in a line cannot be used."""

    def __init__(self, sentence: str) -> None:
        super().__init__("pattern", sentence)


class LayoutError(SpecError):
    """The frame layout contradicts itself or is incomplete."""

    def __init__(self, sentence: str) -> None:
        super().__init__("frame", sentence)


class SourceError(CaptureError):
    """`target` cannot be read now; the sentence says what to do."""

    def __init__(self, target: str, sentence: str) -> None:
        super().__init__(sentence)
        self.target = target


class SourceMissingError(SourceError):
    """No port or device of this name is there."""


class SourceForbiddenError(SourceError):
    """It is there, but this program may not open it."""


class SourceBusyError(SourceError):
    """It is there, but another program holds it."""


class SourceUnpluggedError(SourceError):
    """It was open and has been unplugged."""


class SourceUnsupportedError(SourceError):
    """This system, or this installation, cannot read such a source at all."""
