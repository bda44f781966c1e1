"""Letters to sounds, for English words that no dictionary has ("plodger").

A small table, read from left to right, longest spelling first. The spellings are
common knowledge of English; no rule set was copied. It knows no stress, so it
cannot tell the weak vowels, and it takes no account of where a word comes from:
good enough to look for what such a word sounds like, not to speak it.
"""

from __future__ import annotations

import re

from assistant.words.soundalike import Phones

# A pattern counts where it matches at the present letter; what is in (?=...) or
# (?<=...) is looked at and not used up.
_C = "[bcdfghjklmnpqrstvwxz]"
_RULES = [
    (re.compile(pattern), tuple(phones.split()))
    for pattern, phones in {
        # Endings.
        r"(?<=\w)ssion(?=s?$)": "SH AH N",
        r"(?<=\w)[tsc]ion(?=s?$)": "SH AH N",
        r"(?<=[aeioun]s)tion(?=s?$)": "CH AH N",
        r"(?<=[aeiou])sion(?=s?$)": "ZH AH N",
        r"(?<=\w)[tc]ial(?=s?$|ly$)": "SH AH L",
        r"(?<=\w)[tcs]ious(?=$|ly$)": "SH AH S",
        r"(?<=\w)ture(?=s?$)": "CH ER",
        r"(?<=\w)ous(?=$|ly$)": "AH S",
        r"(?<=\w)ful(?=$|ly$)": "F AH L",
        rf"(?<={_C})le(?=[sd]?$)": "AH L",
        r"(?<=[td])ed$": "AH D",
        r"(?<=[pkfxsh])ed$": "T",
        r"(?<=\w)ed$": "D",
        r"(?<=[sxz])es$|(?<=[cs]h)es$|(?<=[cg])es$": "AH Z",
        r"(?<=[ptkf])s$": "S",
        r"(?<=[bdglmnrvwyaio])s$": "Z",
        rf"(?<={_C})y$": "IY",
        rf"(?<={_C})ies$": "IY Z",
        r"(?<=\w)al(?=s?$)": "AH L",
        r"(?<=\w)a$": "AH",
        r"(?<=\w)e(?=s?$)": "",
        # A vowel before one consonant and a final e says its name.
        rf"(?<!\w\w\w\w)a(?={_C}e[sdr]?$)": "EY",
        rf"i(?={_C}e[sdr]?$)": "AY",
        rf"o(?={_C}e[sdr]?$)": "OW",
        rf"u(?={_C}e[sdr]?$)": "UW",
        rf"(?<={_C})e(?={_C}e$)": "IY",
        # Vowels in groups.
        "eigh": "EY",
        "igh": "AY",
        "ough": "AO",
        "augh": "AO",
        "ai": "EY",
        "ay": "EY",
        "au": "AO",
        "aw": "AO",
        "ea": "IY",
        "ee": "IY",
        "ei": "IY",
        "ey": "IY",
        "eu": "Y UW",
        "ew": "UW",
        "ie": "IY",
        "oa": "OW",
        "oo": "UW",
        "oo(?=k)": "UH",
        "oi": "OY",
        "oy": "OY",
        "ou": "AW",
        "ow": "OW",
        "ow(?=n|l|d)": "AW",
        "ue$": "UW",
        "ui": "UW",
        "io": "IY OW",
        "ia": "IY AH",
        "iu": "IY AH",
        "eo": "IY OW",
        "air": "EH R",
        "ear": "IH R",
        "eer": "IH R",
        "oor": "AO R",
        "our": "AO R",
        "ar": "AA R",
        "er": "ER",
        "ir": "ER",
        "or": "AO R",
        "ur": "ER",
        "yr": "ER",
        "err": "EH R",
        "arr": "EH R",
        "orr": "AO R",
        "urr": "ER",
        r"(?<=\w)or$": "ER",
        r"(?<=\w)ar$": "ER",
        "er(?=[aeiou])": "ER",
        "al(?=[kdt])": "AO L",
        "all": "AO L",
        "wa(?=[^rl])": "W AA",
        "war": "W AO R",
        # Consonants in groups.
        "tch": "CH",
        "ch": "CH",
        "sch": "S K",
        "ck": "K",
        "sh": "SH",
        "th": "TH",
        "ph": "F",
        "gh": "G",
        "wh": "W",
        "qu": "K W",
        "ng(?!e|i)": "NG",
        "nk": "NG K",
        "^kn": "N",
        "^wr": "R",
        "^ps": "S",
        "^gn": "N",
        "mb$": "M",
        "dg(?=e)": "JH",
        "sc(?=[eiy])": "S",
        "x": "K S",
        "^x": "Z",
        "tu(?=[ae])": "CH UW",
        # Single letters; a doubled consonant counts once.
        "bb?": "B",
        "cc?": "K",
        "c(?=[eiy])": "S",
        "cc(?=[eiy])": "K S",
        "dd?": "D",
        "ff?": "F",
        "gg?": "G",
        "g(?=[eiy])": "JH",
        "h": "HH",
        "jj?": "JH",
        "kk?": "K",
        "ll?": "L",
        "mm?": "M",
        "nn?": "N",
        "pp?": "P",
        "q": "K",
        "rr?": "R",
        "ss?": "S",
        "tt?": "T",
        "vv?": "V",
        "w": "W",
        "y": "IH",
        "^y": "Y",
        "zz?": "Z",
        "a": "AE",
        "e": "EH",
        "i": "IH",
        "o": "AA",
        "u": "AH",
        "i$": "IY",
        "o$": "OW",
        "u$": "UW",
    }.items()
]


def guess_phones(word: str) -> Phones:
    """The likely phones of a word in small letters; what is no letter is passed over."""
    phones: list[str] = []
    place = 0
    while place < len(word):
        found = [(rule.match(word, place), said) for rule, said in _RULES]
        # The longest spelling; of equals the one that asks most of its neighbours.
        ends = [(m.end(), len(m.re.pattern), said) for m, said in found if m]
        place, _, said = max(ends, default=(place + 1, 0, ()))
        phones += said
    return tuple(phones)
