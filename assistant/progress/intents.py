"""What the people in the room can mean, typed.

``words/understand.py`` makes one of these of every utterance, key press and
typed line; nothing else reaches ``decide``. All carry how they were heard.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator

from assistant.protocol.conditions import Condition
from assistant.protocol.frozen import Frozen
from assistant.protocol.moment import Moment

Channel = Literal["voice", "typed", "key", "pedal", "clock", "prepared"]
"""``prepared``: known before it was asked, from the set-up of the case or of another of
its canals."""


def _recordable(text: str) -> str:
    """The text with a mark in the place of half characters (lone surrogates)."""
    return text.encode("utf-8", "replace").decode("utf-8")


Text = Annotated[str, AfterValidator(_recordable)]
"""Text from outside. A terminal or a page can send what UTF-8, and so the journal,
cannot hold; it must not stop the case."""

Scalar = float | int | Text | tuple[Text, ...]
"""The value of an entry: mm, s or taper (float), size or tooth (int), an option
id (str), canal names (tuple)."""


class Heard(Frozen):
    """How an intent reached the program.

    Attributes:
        text: the words, as heard.
        confidence: 0 to 1; 1 for keys and typed lines.
        doubt: why it must be confirmed before it counts, or None.
        channel: the way in.
        began: when the speech began, if it was speech. A spoken "stop" ends
            a press when it is said, not when it has been recognised.
    """

    text: Text = ""
    confidence: float = 1.0
    doubt: Text | None = None
    channel: Channel = "typed"
    began: Moment | None = None


class Intent(Frozen):
    """Base: every intent knows how it was heard."""

    heard: Heard = Heard()


ValueKind = Literal["mm", "s", "size", "taper", "tooth", "canals"]


class Given(Intent):
    """A value was dictated; ``quantity`` is None for a bare number.

    ``rival`` is the value of a like-sounding phrase that is about as likely, where the
    doubt is between the two; None otherwise.
    """

    kind: ValueKind
    value: Scalar
    quantity: Text | None = None
    rival: Scalar | None = None


class Correction(Intent):
    """The last value of its kind (or of ``quantity``, or of the cycle, increment or reading
    ``number``) should have been this; ``rival`` as in :class:`Given`."""

    kind: ValueKind | Literal["option"]
    value: Scalar
    quantity: Text | None = None
    rival: Scalar | None = None
    number: int | None = None


class Chosen(Intent):
    """One of a step's options was named."""

    option: Text


class AsPlanned(Intent):
    """The value that the program has planned or offers is the answer; ``quantity`` as in
    :class:`Given`."""

    quantity: Text | None = None


Part = Given | Chosen | AsPlanned
"""What can be one of several answers in one sentence."""


class Several(Intent):
    """One sentence answers several steps, in the order of the steps; each part carries
    the words it was said in, and its own doubt."""

    parts: tuple[Part, ...]


class PreparedValue(Frozen):
    """What a step is to be answered when it is reached; ``kind`` None for an option."""

    track: Text
    quantity: Text
    kind: ValueKind | None
    value: Scalar


class Prepare(Intent):
    """The set-up of a case, given before its first step is asked.

    ``conditions`` are what no step asks for.
    """

    values: tuple[PreparedValue, ...]
    conditions: tuple[tuple[Condition, Text], ...] = ()


class Skip(Intent):
    """Leave this step out, because of ``reason`` (free words, None if not given)."""

    reason: Text | None = None


class SwitchCanal(Intent):
    """Go on with another canal."""

    canal: Text


class TakeOver(Intent):
    """``name`` (or "operator B", by letter) operates, or assists, from here on."""

    role: Literal["operator", "chairside"]
    name: Text


class Remark(Intent):
    """Keep this text as it was dictated."""

    text: Text


class CorrectRemark(Intent):
    """Another text in the place of a remark: of the newest, or that of a number."""

    text: Text
    number: int | None = None


class DropRemark(Intent):
    """Take a remark back: the newest, or that of a number."""

    number: int | None = None


class Note(Intent):
    """A material or condition of the case; a later one stands in its place."""

    condition: Condition
    text: Text


Beside = Remark | CorrectRemark | DropRemark | Note
"""What is kept beside the steps."""


class CloseVisit(Intent):
    """Close the case for today; None for what was not said."""

    dressing: Text | None = None
    plan: Text | None = None


class SignAs(Intent):
    """Sign the note in the name of another person than who operates."""

    name: Text


ChangeKind = Literal[
    "found",
    "absent",
    "renamed",
    "joins",
    "separate",
    "tooth",
    "post",
    "again",
    "reheated",
    "replaced",
    "removed",
    "film",
]
"""A canal found late, one that is not there, one called otherwise, one that joins another
and one that does not, another tooth, a post decided on late. What is done again: a part of
the filling, a heat cycle more, the master cone, the whole fill, a radiograph."""


class Change(Intent):
    """The case is another one than was taken down, or a part of a canal is done again.

    Attributes:
        canal: the canal it is about; None for the tooth, and for the canal at work.
        to: the other name of a renamed canal, the canal that another joins, the phase that
            is done again.
        tooth: the right tooth.
        mm: where canals join, a depth in the one that joins; to which depth a fill was
            removed, None if all of it was.
        reason: free words, None if not given.
    """

    what: ChangeKind
    canal: Text | None = None
    to: Text | None = None
    tooth: int | None = None
    mm: float | None = None
    reason: Text | None = None


class Finding(Intent):
    """Something was found or went wrong; ``finding`` is its id in the protocol, ``mm`` the
    length that is asked about it first, if it was told along."""

    finding: Text
    mm: float | None = None


class WhoSpeaks(Intent):
    """From now on, entries are this person's."""

    who: Literal["operator", "chairside"]


Verb = Literal[
    "next",
    "confirm",
    "keep",
    "start",  # the act of the present step, whichever it is
    "press",
    "heat_on",
    "stop",
    "back",
    "repeat",
    "pause",
    "resume",
    "undo",
    "where",
    "read_back",
    "what_is_left",
    "more",
    "how_long",
    "what_can_i_say",
    "pair",
    "sign",
    "say_all",
    "say_less",
    "say_warnings",
    "remark",  # said aloud: it can only be typed
]


class Command(Intent):
    """A request without a value."""

    verb: Verb


class Unclear(Intent):
    """Something was said that is not one clear thing here. Never dropped.

    Attributes:
        reason: in words for the screen and the log.
        readings: the meanings it could have had, when there were several.
    """

    reason: Text
    readings: tuple[Text, ...] = ()


class Tick(Intent):
    """Time has passed; the session sends one several times a second."""


class ReadOut(Intent):
    """The read-back of entry ``seq`` has reached the room to its end."""

    seq: int


class Reopen(Intent):
    """The program was started again on this case; ``note`` says what was found, ``since``
    (told aloud) what happened to it meanwhile, ``machine`` on which it is now."""

    note: Text
    since: Text = ""
    machine: Text = ""


class Trouble(Intent):
    """A device or an engine failed or came back; ``text`` says what still works."""

    text: Text


class Append(Intent):
    """Add ``text`` to a signed case, in the name of ``by``."""

    text: Text
    by: Text


AnyIntent = (
    Given
    | Correction
    | Chosen
    | AsPlanned
    | Several
    | Prepare
    | Skip
    | SwitchCanal
    | Change
    | Finding
    | WhoSpeaks
    | TakeOver
    | SignAs
    | CloseVisit
    | Beside
    | Command
    | Unclear
    | Tick
    | ReadOut
    | Reopen
    | Trouble
    | Append
)
