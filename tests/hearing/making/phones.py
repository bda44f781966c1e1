"""From the IPA of espeak-ng, and the phones of flite, to the 39 phones of CMU.

Labels are made from what the voice was told to say, so that label and sound agree
for every accent: a British "car" is K AA, an American one K AA R.
"""

from __future__ import annotations

from assistant.ears.encoder import PHONES

_IPA = {
    "tʃ": "CH", "dʒ": "JH", "eɪ": "EY", "aɪ": "AY", "aʊ": "AW", "oʊ": "OW", "əʊ": "OW",
    "ɔɪ": "OY", "oɪ": "OY", "əɪ": "ER", "ɜː": "ER", "ɜ": "ER", "ɚ": "ER", "ɝ": "ER",
    "iː": "IY", "uː": "UW",
    "ʉː": "UW", "ʉ": "UW", "ɑː": "AA", "ɔː": "AO", "oː": "AO", "eː": "EY", "ɛː": "EH",
    "ɪə": "IH AH", "iə": "IY AH", "eə": "EH AH", "ʊə": "UH AH", "ɛə": "EH AH", "aː": "AA",
    "ɑ": "AA", "ɒ": "AA", "ɔ": "AO", "o": "OW", "æ": "AE", "a": "AE", "ʌ": "AH",
    "ə": "AH", "ɐ": "AH", "ᵻ": "IH", "ɪ": "IH", "i": "IY", "ɛ": "EH", "e": "EH",
    "ʊ": "UH", "u": "UW", "ɵ": "UH", "p": "P", "b": "B", "t": "T", "d": "D", "k": "K",
    "ɡ": "G", "g": "G", "f": "F", "v": "V", "θ": "TH", "ð": "DH", "s": "S", "z": "Z",
    "ʃ": "SH", "ʒ": "ZH", "h": "HH", "m": "M", "n̩": "AH N", "n": "N", "ŋ": "NG",
    "l̩": "AH L", "l": "L", "ɫ": "L", "ɹ": "R", "r": "R", "ɾ": "T", "ʔ": "T", "j": "Y",
    "w": "W", "ʍ": "W", "x": "K", "ɬ": "L", "ç": "HH", "ɲ": "N Y", "m̩": "AH M",
    "əl": "AH L", "ɔ̃": "AO N", "ɑ̃": "AA N", "y": "UW", "c": "K", "q": "K", "β": "V",
}  # fmt: skip
_LONGEST = max(map(len, _IPA))


def from_ipa(text: str) -> list[str]:
    """CMU phones of espeak-ng's IPA; stress, length and spaces say nothing here."""
    found: list[str] = []
    at = 0
    while at < len(text):
        for size in range(_LONGEST, 0, -1):
            if mapped := _IPA.get(text[at : at + size]):
                found += mapped.split()
                at += size
                break
        else:
            at += 1
    return found


_FLITE = {"ax": "AH", "axr": "ER", "el": "AH L", "em": "AH M", "en": "AH N", "hv": "HH"}


def from_flite(text: str) -> list[str]:
    """CMU phones of what ``flite -ps`` prints; pauses are left out."""
    found: list[str] = []
    for name in text.split():
        mapped = _FLITE.get(name, name.upper())
        found += [phone for phone in mapped.split() if phone in PHONES]
    return found
