"""PortAudio as a whole: which devices there are, how they can be opened, beginning anew.

PortAudio lists the devices once, when it is initialised. To see one that was plugged in
later it must be ended and initialised again, which ends every stream of the process; so
whoever has one registers here, gives it back before and opens it again after.
"""

from __future__ import annotations

import contextlib
import threading
from typing import Any, NamedTuple, Protocol
from weakref import WeakSet


class User(Protocol):
    """Somebody with a stream. Both members are called in another thread than the
    user's own, and never raise."""

    def release(self) -> None:
        """Close the stream; it is opened again in a moment."""

    def regain(self) -> None:
        """Open it again; where that fails, the device is lost."""


_USERS: WeakSet[User] = WeakSet()
_ONE_AT_A_TIME = threading.Lock()


def register(user: User) -> None:
    """``user`` has a stream from now on, for as long as it lives."""
    _USERS.add(user)


def unregister(user: User) -> None:
    """It has none any more."""
    _USERS.discard(user)


def begin_anew(sound: Any, asks: User | None = None) -> None:
    """End PortAudio and initialise it again, so that it sees what is plugged in now.

    Args:
        sound: the ``sounddevice`` module. The two functions are its own way to do this
            (its documentation names them for it) though not part of its interface; where
            they are missing, nothing happens.
        asks: has no stream itself now, and is left alone.
    """
    with _ONE_AT_A_TIME:
        others = [user for user in list(_USERS) if user is not asks]
        for user in others:
            user.release()
        with contextlib.suppress(Exception):  # a library half gone: opening will tell
            sound._terminate()
        with contextlib.suppress(Exception):
            sound._initialize()
        for user in others:
            user.regain()


class Opening(NamedTuple):
    """How an input can be opened."""

    rate_hz: int
    channels: int


def opening(
    sound: Any, device: int | str | None, info: dict[str, Any], want_hz: int
) -> Opening:
    """The rate wanted and one channel where the device does it; else its own rate, else
    two channels or all it has. What remains is tried on opening, which says why not."""
    native_hz, most = int(info["default_samplerate"]), int(info["max_input_channels"])
    for channels in dict.fromkeys((1, min(2, most), most)):
        for rate_hz in (want_hz, native_hz):
            try:
                sound.check_input_settings(
                    device=device, channels=channels, dtype="int16", samplerate=rate_hz
                )
            except (ValueError, sound.PortAudioError):
                continue
            return Opening(rate_hz, channels)
    return Opening(native_hz, 1)
