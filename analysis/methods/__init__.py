"""The methods: what is cut, how the piece is turned, which places are read, what that reveals.

`record` says what a method is; the records are in `strips`, `machines`, `calipers` and
`references`, all together in `built_in`; `own` makes one of a user's own data.
"""

from analysis.methods.built_in import METHODS, method
from analysis.methods.cautions import SAWING_CAUTIONS, STANDSTILL_CAUTIONS, cautions_on
from analysis.methods.own import custom_method
from analysis.methods.record import (
    Action,
    AdjustedPart,
    Method,
    Picture,
    Place,
    Quantity,
    Relation,
    Side,
    Step,
    Term,
    steps_for,
)

__all__ = [
    "METHODS",
    "SAWING_CAUTIONS",
    "STANDSTILL_CAUTIONS",
    "Action",
    "AdjustedPart",
    "Method",
    "Picture",
    "Place",
    "Quantity",
    "Relation",
    "Side",
    "Step",
    "Term",
    "cautions_on",
    "custom_method",
    "method",
    "steps_for",
]
