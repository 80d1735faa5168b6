"""A simulated shop: saws that cut boards in coordinates, hands, and calipers that count.

Seen from above with the fence at the bottom, x runs along the fence, y away from it, z up. A saw
cuts the plane x = y tan(angle) + z tan(tilt); the strip always falls to the left. What a strip
measures follows from where its two faces lie, not from `analysis.geometry`: a second route.

Every number of a saw, a caliper and a board may be an array of shape (series,): one for each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.facts import SeriesFacts
from analysis.methods import METHODS

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Saw:
    """angle_rad, tilt_rad: how it is set. cut_sd, tilt_sd: the scatter of single cuts, radians.
    setup_sd: what is the same for all cuts of a series and new for the next, of the angle.
    drift: of the angle, radians from trial to trial. length_mm, length_sd: of the stop, or of a
    planed thickness."""

    angle_rad: ArrayLike = 0.0
    cut_sd: ArrayLike = 0.0
    tilt_rad: ArrayLike = 0.0
    tilt_sd: ArrayLike = 0.0
    setup_sd: ArrayLike = 0.0
    drift: ArrayLike = 0.0
    length_mm: ArrayLike = 100.0
    length_sd: ArrayLike = 0.0


@dataclass(frozen=True)
class Caliper:
    """step_nm: its count, such as 10_000, 20_000, or 12_700 (0.0005 in). hand_mm: the scatter of
    one reading before it is shown. It reads size * (1 + scale) + zero_mm; its flat jaws touch the
    widest point under jaw_mm."""

    step_nm: ArrayLike = 10_000
    hand_mm: ArrayLike = 0.01
    zero_mm: ArrayLike = 0.0
    scale: ArrayLike = 0.0
    jaw_mm: ArrayLike = 0.0


@dataclass(frozen=True)
class Board:
    """length_mm: of the cut (board width, strip, slot or joint). inset_mm: from a strip's end to
    the middle of the jaws. strip_mm, strip_sd: the strips' widths, near equal for strips cut to a
    stop. taper_rad: between its two edges. pieces: of a frame."""

    length_mm: ArrayLike = 200.0
    thickness_mm: ArrayLike = 20.0
    strip_mm: ArrayLike = 10.0
    strip_sd: ArrayLike = 0.5
    inset_mm: ArrayLike = 0.0
    taper_rad: ArrayLike = 0.0
    pieces: int = 4


@dataclass(frozen=True, eq=False)
class Played:
    """What the shop's people have, and the truth behind it.

    counts_nm: (series, trials, places, repeats), whole nanometres as sent. angle_rad, tilt_rad:
    (series, trials, cuts), each single cut; length_mm: (series, trials).
    """

    method: str
    board: Board
    step_nm: Array
    counts_nm: NDArray[np.int64]
    angle_rad: Array
    tilt_rad: Array
    length_mm: Array

    @property
    def widths_mm(self) -> Array:
        return self.counts_nm / 1e6

    def facts(self, i: int, **said: Any) -> SeriesFacts:
        """Of series i, with the true lengths and count of the caliper unless `said` otherwise."""

        def of_series(value: ArrayLike) -> float:
            return float(np.broadcast_to(value, len(self.counts_nm))[i])

        method = METHODS[self.method]
        true = {
            "baseline_mm": of_series(self.board.length_mm) if method.baseline else None,
            "thickness_mm": of_series(self.board.thickness_mm) if method.needs_thickness else None,
            "inset_mm": of_series(self.board.inset_mm),
            "pieces": self.board.pieces if method.pieces else None,
            "resolution_mm": of_series(self.step_nm) / 1e6,
        }
        return SeriesFacts(method, self.widths_mm[i], **(true | said))


_CUTS: Final = {"reversal": 2, "half-turn": 2, "roll": 2, "five-cut": 5, "miter-pair": 2}


def play(
    rng: np.random.Generator,
    method: str,
    saw: Saw = Saw(),
    caliper: Caliper = Caliper(),
    board: Board = Board(),
    *,
    series: int,
    trials: int,
    repeats: int = 1,
) -> Played:
    """So many series of so many trials of `method`, each place read `repeats` times."""
    shape = (series, trials)
    cuts = 2 * board.pieces if method == "closing-miters" else _CUTS.get(method, 1)
    angle = _cuts(rng, (*shape, cuts), saw.angle_rad, saw.cut_sd, saw.setup_sd, saw.drift)
    tilt = _cuts(rng, (*shape, cuts), saw.tilt_rad, saw.tilt_sd)
    length = _trials(saw.length_mm) + _trials(saw.length_sd) * rng.standard_normal(shape)
    strip = _trials(board.strip_mm) + _trials(board.strip_sd) * rng.standard_normal(shape)
    size = strip if method in _STRIPS else length
    true = np.stack(_PLACES[method](size, angle, tilt, board, caliper), axis=-1)
    counts = _read(rng, true, caliper, repeats)
    return Played(method, board, np.asarray(caliper.step_nm, float), counts, angle, tilt, length)


def _trials(value: ArrayLike) -> Array:
    """A number of each series, to go with (series, trials)."""
    return np.asarray(value, float)[..., np.newaxis]


def _cuts(
    rng: np.random.Generator,
    shape: tuple[int, ...],
    setting: ArrayLike,
    sd: ArrayLike,
    setup_sd: ArrayLike = 0.0,
    drift: ArrayLike = 0.0,
) -> Array:
    series, trials, _ = shape
    level = np.asarray(setting, float) + np.asarray(setup_sd, float) * rng.standard_normal(series)
    moving = _trials(level) + _trials(drift) * np.arange(trials)
    return moving[..., np.newaxis] + _trials(_trials(sd)) * rng.standard_normal(shape)


def _read(
    rng: np.random.Generator, true: Array, caliper: Caliper, repeats: int
) -> NDArray[np.int64]:
    """What the caliper sends for sizes (series, trials, places), in nanometres."""
    zero, scale, hand, step = (
        _trials(_trials(_trials(value)))
        for value in (caliper.zero_mm, caliper.scale, caliper.hand_mm, caliper.step_nm)
    )
    held = true[..., np.newaxis] + hand * rng.standard_normal((*true.shape, repeats))
    shown = np.rint((held * (1 + scale) + zero) * 1e6 / step) * step
    return np.asarray(shown, np.int64)


def _along(board: Board, caliper: Caliper) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """The stretch of y under the jaws at the fence end and at the open end."""
    length, inset = _trials(board.length_mm), _trials(board.inset_mm)
    half = _trials(caliper.jaw_mm) / 2
    near = np.maximum(inset - half, 0.0), inset + half
    return near, (length - near[1], length - near[0])


def _strip(strip: Array, angle: Array, tilt: Array, board: Board, turned: tuple[int, int]) -> Any:
    """Its width at (y, z): from the face of the first cut, as it came to lie when the board was
    turned, to the plane of the second. turned: -1 where the board's y, or z, is turned over."""
    length, thickness, taper = (
        _trials(value) for value in (board.length_mm, board.thickness_mm, board.taper_rad)
    )
    over_y, over_z = turned
    # A board whose other edge lies on the fence is turned by the taper of its edges.
    first = angle[..., 0] + (taper if over_y < 0 else 0.0)
    tan = np.tan
    # Where the board changes sides of the blade, x is turned over as well.
    mirrored = -1.0 if over_y * over_z < 0 else 1.0

    def width(y: Array, z: Array) -> Array:
        board_y = y if over_y > 0 else length - y
        board_z = z if over_z > 0 else thickness - z
        face = mirrored * (board_y * tan(first) + board_z * tan(tilt[..., 0]))
        return np.asarray(strip + y * tan(angle[..., 1]) + z * tan(tilt[..., 1]) - face)

    return width


def _widest(width: Any, under: tuple[Array, Array], z: Any) -> Array:
    return np.maximum(width(under[0], z), width(under[1], z))


def _reversal(strip: Array, angle: Array, tilt: Array, board: Board, caliper: Caliper) -> Any:
    width = _strip(strip, angle, tilt, board, (1, -1))
    middle = _trials(board.thickness_mm) / 2
    return [_widest(width, under, middle) for under in _along(board, caliper)]


def _half_turn(strip: Array, angle: Array, tilt: Array, board: Board, _: Caliper) -> Any:
    width = _strip(strip, angle, tilt, board, (-1, 1))
    y, top = _trials(board.length_mm) / 2, _trials(board.thickness_mm)
    return [width(y, 0.0 * top), width(y, top)]


def _roll(strip: Array, angle: Array, tilt: Array, board: Board, caliper: Caliper) -> Any:
    width = _strip(strip, angle, tilt, board, (-1, -1))
    top = _trials(board.thickness_mm)
    return [_widest(width, y, z) for y in _along(board, caliper) for z in (0.0 * top, top)]


def _five_cut(strip: Array, angle: Array, _: Array, board: Board, caliper: Caliper) -> Any:
    # A turn brings the fresh edge onto the fence, so it turns the panel by a quarter and the cut's
    # own angle; the first cut's face has been turned by its own angle and by three others.
    direction = np.pi / 2 - angle[..., 0]
    for cut in range(4):
        direction = direction + np.pi / 2 + angle[..., cut]
    face = np.cos(direction) / np.sin(direction)

    def width(y: Array, _: Any) -> Array:
        return np.asarray(strip + y * np.tan(angle[..., 4]) - y * face)

    return [_widest(width, under, None) for under in _along(board, caliper)]


def _blade_to_slot(_: Array, angle: Array, __: Array, board: Board, ___: Caliper) -> Any:
    front = np.full(angle.shape[:2], 60.0)
    return [front, front + _trials(board.length_mm) * np.tan(angle[..., 0])]


def _planed(size: Array, angle: Array, _: Array, board: Board, __: Caliper) -> Any:
    half = _trials(board.length_mm) / 2 * np.tan(angle[..., 0])
    return [size - half, size + half]


def _frame(_: Array, angle: Array, __: Array, board: Board, ___: Caliper) -> Any:
    # Each face turns the next piece by its own error; the last joint is open by all of them.
    return [_trials(board.length_mm) * np.tan(angle.sum(axis=-1))]


def _reversed_square(_: Array, angle: Array, __: Array, board: Board, ___: Caliper) -> Any:
    return _between_lines(angle[..., 0], board)


def _miter_pair(_: Array, angle: Array, __: Array, board: Board, ___: Caliper) -> Any:
    # A corner of two miters is off by the errors of both.
    return _between_lines(angle.sum(axis=-1), board)


def _between_lines(lean: Array, board: Board) -> Any:
    """Two lines that lean to the right and, turned over, to the left: 10 and 10 mm + length away
    from the edge."""
    length = _trials(board.length_mm)
    return [(105 + y * np.tan(lean)) - (100 - y * np.tan(lean)) for y in (10.0, 10.0 + length)]


def _three_edges(size: Array, *_: object) -> Any:
    # Hollows of A, B and C, on spacers of 10 mm.
    a, b, c = size, 0.1, -0.2
    return [10 + a + b, np.full(size.shape, 10 + b + c), 10 + c + a, np.full(size.shape, 10.0)]


def _run_out(size: Array, *_: object) -> Any:
    # A round whose middle is half of it away from the axis.
    return [50 - size / 2, 50 + size / 2]


def _one(size: Array, *_: object) -> Any:
    return [size]


_STRIPS: Final = ("reversal", "half-turn", "roll", "five-cut")
# The places in reading order.
_PLACES: Final[dict[str, Any]] = {
    "reversal": _reversal,
    "half-turn": _half_turn,
    "roll": _roll,
    "five-cut": _five_cut,
    "blade-to-slot": _blade_to_slot,
    "stop-block": _one,
    "planed-thickness": _planed,
    "closing-miters": _frame,
    "known-block": _one,
    "same-spot": _one,
    "miter-pair": _miter_pair,
    "reversed-square": _reversed_square,
    "three-edges": _three_edges,
    "run-out": _run_out,
    "rebate-depth": _one,
}
