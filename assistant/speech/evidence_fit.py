"""Coefficients of :mod:`.evidence`; written by ``tests/hearing/calibrate.py``.

Options: --listener alone --seed 3 --phrases 500 --talk-min 12; 852 phrases in question.
"""

WEIGHTS: tuple[float, ...] = (
    1.535,  # versus_phones
    0.629,  # weakest_word
    4.087,  # phone_match
    1.497,  # second_decode
    0.000,  # unrivalled
    1.501,  # density
    11.371,  # coverage
    0.019,  # snr_db
)
BIAS = -12.430
