"""The command ``fillwarm run``: a sitting with one case."""

from __future__ import annotations

import socket
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
from platformdirs import user_data_path

from assistant.case.practice_file import prefilled
from assistant.case.prepared import load_set_up
from assistant.clock import Clock, SampleClock, SystemClock
from assistant.commandline import wiring
from assistant.commandline.anchoring import seal, write_out
from assistant.commandline.case import list_written
from assistant.commandline.cases import NEW_CASE
from assistant.commandline.opening import People, open_case, practice_file
from assistant.commandline.options import (
    FILE,
    LISTENER,
    MICROPHONE,
    MODEL,
    SILENT,
    SPEAKER,
    WORDS,
    NoticeFirst,
    cases_folder,
    this_second,
    usual_words,
)
from assistant.commandline.signing import unlocked
from assistant.errors import InputFileError
from assistant.extras import need
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress.people import signer as signer_of
from assistant.protocol.model import Protocol
from assistant.room import check as roomcheck
from assistant.sitting import assembly
from assistant.sitting.session import Session
from assistant.sound.player import SilentPlayer
from assistant.sound.sources import (
    AudioSource,
    wav_source,
)
from assistant.speech.attention import Listen
from assistant.store.current import register
from assistant.store.signing import Signer
from assistant.words.grammar import Language

if TYPE_CHECKING:
    from assistant.screen.tls import Certificate
    from assistant.screen.web import WebScreen


@click.command(cls=NoticeFirst)
@click.option(
    "--case",
    "folder",
    type=NEW_CASE,
    default=None,
    help="Name of the case among the cases, or any folder; default: the day and the time.",
)
@click.option("--code", default=None, help="Case code; no patient's name.")
@click.option(
    "--operator",
    default=None,
    metavar="NAME",
    help="Who operates and signs; of a case that is gone on with, who takes over.",
)
@click.option("--assistant", default=None, metavar="NAME", help="Who assists.")
@click.option(
    "--also",
    multiple=True,
    metavar="NAME",
    help='Who may take over, in turn "operator b", "operator c"; repeat it.',
)
@click.option("--protocol", default="warm-vertical", show_default=True, help="Name or file.")
@click.option(
    "--pluggers", default=None, metavar="NAME|FILE", help="Your own set: what fits is computed."
)
@click.option("--prepared", type=FILE, default=None, help="Set-up of a new case; see prepare.")
@click.option(
    "--practice",
    type=FILE,
    default=None,
    help="Your people and materials; default: practice.yaml in the user's settings.",
)
@LISTENER
@MODEL
@click.option(
    "--wav", type=FILE, default=None, help="Hear this recording instead of a microphone."
)
@click.option("--typed", is_flag=True, help="Typed lines only, no microphone.")
@MICROPHONE
@SPEAKER
@click.option(
    "--loudspeaker", is_flag=True, help='The microphone hears the voice: say "stop stop".'
)
@SILENT
@click.option(
    "--room",
    default=None,
    metavar="FILE|none",
    help="Profile of room-check; default: the stored one, if of this microphone.",
)
@click.option(
    "--listen",
    type=click.Choice([mode.value for mode in Listen]),
    default=Listen.OPEN.value,
    show_default=True,
    help="To all; to what begins with the attention word; once after a tap (Enter).",
)
@click.option("--screen", is_flag=True, help="Show the case in browsers; codes are printed.")
@click.option(
    "--screen-host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="Where the screen is served; any but this machine's own is open to the network.",
)
@click.option(
    "--screen-port",
    type=click.IntRange(0, 65535),
    default=7343,
    show_default=True,
    help="0: any free one.",
)
@click.option(
    "--screen-tls", is_flag=True, help="Encrypt the page, with a certificate made here."
)
@click.option("--screen-cert", type=FILE, default=None, help="Encrypt it with your own (PEM).")
@click.option("--screen-key", type=FILE, default=None, help="The key of --screen-cert (PEM).")
@wiring.PLAIN
@WORDS
def run(
    folder: Path | None,
    code: str | None,
    operator: str | None,
    assistant: str | None,
    also: tuple[str, ...],
    protocol: str,
    pluggers: str | None,
    prepared: Path | None,
    practice: Path | None,
    listener: str,
    model: Path | None,
    wav: Path | None,
    typed: bool,
    microphone: str | None,
    speaker: str | None,
    loudspeaker: bool,
    silent: bool,
    room: str | None,
    listen: str,
    screen: bool,
    screen_host: str,
    screen_port: int,
    screen_tls: bool,
    screen_cert: Path | None,
    screen_key: Path | None,
    plain: bool,
    own_words: Path | None,
) -> None:
    """Begin a case, or go on with the one in --case.

    Who operates is told with --operator, and who may take over with --also: "operator b takes
    over", said, or any name typed ("A. Nother takes over"). A case that is gone on with keeps
    its operator unless --operator tells another.

    --practice FILE (YAML) prefills people and materials of a new case:

    \b
    people: [Dr One, Dr Two]        # operator A, who operates, and operator B
    assistant: Nurse
    sealer: the one you use
    sealer_lot: A1-23

    Also gutta_percha, gutta_percha_lot, irrigants, anaesthetic, heat_setting, needle,
    restoration, instructions and present. Any of them can be typed ("sealer lot: A1-23");
    what is missing is told before the signature. The note says who operated when, and who
    signed for whom.

    Typed lines work at any time beside the voice, with digits too: plugger 16.5.

    Where others talk, --listen attention hears only what begins with "logbook" ("logbook,
    plugger sixteen"), other talk is neither answered nor kept; --listen pedal hears the one
    phrase begun within 8 s after a tap of Enter, which a USB foot pedal can send, and a tap
    silences the assistant. "Stop" and "release" need neither.

    Answers, and "stop", are heard even while the assistant speaks into an earpiece, and
    "heat off" while the heat is on. With --loudspeaker it takes "stop stop" to silence a
    prompt, during a timed press one "stop". With the system library libspeexdsp (Debian:
    libspeexdsp1) the
    assistant's own voice is taken out before that, and "stop" found far more often.

    Nothing that happens to sound stops a case: a microphone that is silent, gone or hung is
    told and tried again every 2 s, typed lines and the screen go on, a crashed recogniser is
    replaced. A killed program goes on where it was, with all that it read back.

    At a terminal the case stands in one view: where it is, what is asked, the last entries,
    and below what is typed. --plain writes lines instead.

    --screen prints a link that opens the page once on this machine and two codes: one to
    watch (ten minutes, any number of screens), one to enter as well (once). "Pair a screen",
    said, typed or touched, shows them again with a QR code and the list of paired screens,
    of which a page that may enter removes any. For a tablet, --screen-host 0.0.0.0. On a
    network of others add --screen-tls, or --screen-cert and --screen-key: the page is then
    encrypted, and the fingerprint of its certificate is shown where screens are paired.
    """
    if screen:
        need("screen", "A screen in browsers")
    words = assembly.language(usual_words(own_words))
    recording = wav_source(wav) if wav else None
    ears, profile, about = None, None, ""
    if not typed:
        live = None if recording else roomcheck.microphone_name(microphone)
        profile, about = roomcheck.choose(room, live)
        ears = assembly.hearing(
            listener,
            model,
            words,
            earpiece=not loudspeaker,
            listen=Listen(listen),
            room=profile,
            watched=recording is None,
        )
        if profile is not None:
            profile, about = roomcheck.fit(profile, ears, asked_for=room is not None)
    clock: Clock = SystemClock() if recording is None else SampleClock(this_second())
    seat, tell = wiring.seat(clock, words, plain=plain)
    if about:
        tell(about)
    steps = load_yaml(protocol_path(protocol), Protocol)
    set_up = load_set_up(prepared, steps) if prepared else None
    own = pluggers or (set_up.pluggers if set_up else None)
    ours = practice_file(practice)
    people = People(operator, assistant, also, ours).checked()
    case = open_case(
        folder, code, people, steps, own, clock, tell, fresh_only=set_up is not None
    )
    unsigned = case.state.signed is None
    signer = unlocked() if unsigned else None
    player = (
        SilentPlayer()
        if recording is not None
        else assembly.loudspeaker(silent or typed, speaker, tell)
    )
    web = None
    if screen:
        certificate = _certificate(screen_host, screen_cert, screen_key, made=screen_tls)
        web = _web_screen(screen_host, screen_port, clock, words, tell, certificate)
    screens = [] if web is None else [web]
    sitting = assembly.session(case, clock, player, tell, words, ears, screens, seat)
    sitting.prepared = prefilled(set_up.intent(steps) if set_up else None, ours)
    if web is not None:
        sitting.on_pass = web.beat
        sitting.on_pair = web.ask_codes
    source: AudioSource | None = recording
    if recording is None and not typed:
        source = wiring.microphone(microphone, tell)
    if source is not None and profile is not None:
        source = roomcheck.Amplified(source, profile.gain)
    try:
        with wiring.typing(sitting, seat, source):
            if web is not None:
                web.start(sitting.typed)
            sitting.run(source)
    finally:
        _leave(sitting, source, clock, signer, signs=unsigned)
        if web is not None:
            web.close()


def _certificate(
    host: str, chain: Path | None, key: Path | None, *, made: bool
) -> Certificate | None:
    """What the page is encrypted with, if it is."""
    if (chain is None) != (key is None):
        raise InputFileError("--screen-cert and --screen-key are given together.")
    if not made and chain is None:
        return None
    need("tls", "An encrypted screen")
    from assistant.screen import tls  # noqa: PLC0415
    from assistant.screen.guard import own_names  # noqa: PLC0415
    from assistant.screen.web import this_machine  # noqa: PLC0415

    if chain is not None and key is not None:
        return tls.given(chain, key)
    names = own_names(host, socket.gethostname()) | {this_machine()}
    return tls.made(user_data_path("fillwarm") / "screen" / "tls", names, datetime.now(UTC))


def _web_screen(
    host: str,
    port: int,
    clock: Clock,
    words: Language,
    tell: Callable[[str], None],
    certificate: Certificate | None,
) -> WebScreen:
    """The screen in browsers; its libraries are loaded only where it is asked for."""
    from assistant.screen.web import WebScreen  # noqa: PLC0415

    paired = user_data_path("fillwarm") / "screen" / "paired.json"
    return WebScreen(host, port, clock, words, tell, grants=paired, certificate=certificate)


def _leave(
    sitting: Session,
    source: AudioSource | None,
    clock: Clock,
    signer: Signer | None,
    *,
    signs: bool,
) -> None:
    """Close everything and say where things are, however the sitting ended; ``signs``: the
    case was not signed when it began."""
    if source is not None:
        source.close()
    case = sitting.case
    try:
        if signs and case.state.signed is not None:
            seal(case, clock.now(), "signed", signer_of(case.state), signer)
        written = write_out(case.folder, case.state, case.head_hash, signer=signer)
        list_written(case.folder, written)
    finally:
        case.close()
        if sentence := register(cases_folder(), case.folder, elsewhere=False):
            click.echo(f"!! {sentence}")
        if case.state.resting:
            click.echo(f"Closed for today. Go on with: fillwarm run --case {case.folder}")
        elif case.state.signed is None:
            click.echo(f"Not signed yet. Go on with: fillwarm run --case {case.folder}")
