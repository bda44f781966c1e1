"""Coefficients of :mod:`.paired`; written by ``tests/hearing/calibrate.py``.

Options: --seed 3 --phrases 500 --talk-min 12; 2594 phrases in question.
"""

AGREED: tuple[float, ...] = (
    -7.432,
    -0.185,
    1.010,
    2.619,
    0.108,
    0.678,
    -4.423,
    0.576,
    -0.076,
    -2.801,
    0.463,
    3.962,
    8.615,
    0.008,
    4.393,
)

ALONE: tuple[float, ...] = (
    -1.763,
    1.657,
    1.321,
    0.408,
    0.206,
    0.419,
    -5.963,
    0.638,
    0.000,
    1.203,
    1.539,
    2.686,
    5.126,
    -0.022,
    3.653,
)
