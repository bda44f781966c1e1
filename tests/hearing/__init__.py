"""The hearing benchmark: how well the program hears. Long; never a timed test.

Run ``python tests/hearing/campaign.py --help``. All sound is made here, from
synthetic voices and noises, except recordings that the user brings.
"""
