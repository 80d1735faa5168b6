"""Whether what the program says is true: each statement against simulated saws.

    python -m benchmarks.truth [NAME ...] [--short] [--seed S] [--markdown FILE]

It takes minutes, is not part of `python -m benchmarks`, and holds nothing to a bound: the tests do
that in short. It prints one table: what is said | the rate claimed | how often it held | where it
was tried.

A module of statements is one file in this folder with one function

    def rows(rng: numpy.random.Generator, short: bool) -> Iterator[Row]

that plays series with `shop.play`, asks the program's own functions, and yields a `rows.Row` for
each statement and ground. `short` plays a tenth or so. The file is found by being here; its
chance follows from the seed and its name, so that it says the same alone and among all.

    played = shop.play(rng, "reversal", saw, caliper, board, series=2000, trials=12)
    played.counts_nm    what the caliper sent, whole nanometres: (series, trials, places, repeats)
    played.widths_mm    the same in mm, as the program holds it
    played.facts(7, tolerance=...)     `SeriesFacts` of one series, for the program's functions
    played.angle_rad    the truth: each single cut's angle, (series, trials, cuts)

`shop` computes strips by cutting boards in coordinates; it shares nothing with
`analysis.geometry`. Figures of its saws, calipers and boards are numbers, or one for each series.
"""
