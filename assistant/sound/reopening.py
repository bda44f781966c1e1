"""A player that is opened again when its device has been lost."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from assistant.errors import EquipmentError
from assistant.sound import devices as sound_system
from assistant.sound.player import Player
from assistant.sound.samples import Samples

RETRY_S = 2.0
"""A lost device is tried again so often."""

ANEW_EVERY = 3
"""With every so many tries the whole sound system begins anew, to see what was plugged
in. The microphone misses some 0.1 s of it each time, so not with every one."""

_PATIENCE_S = 6.0  # for what is being said, before the sound system begins anew

LOST = (
    "The loudspeaker has stopped: read the screen, which shows everything. "
    "Plug it in again; it is tried every {:g} seconds."
)


class ReopeningPlayer:
    """Plays through what ``make`` gives, and through a new one once that is lost.

    Args:
        make: opens the device; raises EquipmentError where it cannot.
        sound: the ``sounddevice`` module or a stand-in, for beginning anew.
        retry_s: as :data:`RETRY_S`.

    Raises:
        EquipmentError: the device cannot be opened now.
    """

    def __init__(
        self, make: Callable[[], Player], sound: Any = None, retry_s: float = RETRY_S
    ) -> None:
        self._make = make
        self._sound = sound
        self._retry_s = retry_s
        self._player: Player | None = make()
        self._held: Samples | None = None  # given while the device is being changed
        self._changing = self._lost = False
        self._closed = threading.Event()
        self._change = threading.Lock()
        sound_system.register(self)

    @property
    def busy(self) -> bool:
        """See :class:`~.player.Player`; also where a loss is noticed."""
        player = self._player
        if player is None:
            return self._changing and self._held is not None
        busy = player.busy
        if player.trouble is not None:
            self._lose()
        return busy

    @property
    def audible(self) -> bool:
        """See :class:`~.player.Player`."""
        return not self._lost and not self._closed.is_set()

    @property
    def trouble(self) -> str | None:
        """See :class:`~.player.Player`; None again once it is back."""
        return LOST.format(self._retry_s) if self._lost else None

    def play(self, samples: Samples) -> None:
        """See :class:`~.player.Player`."""
        with self._change:
            if self._player is not None:
                self._player.play(samples)
            elif self._changing:
                self._held = samples

    def stop(self) -> None:
        """See :class:`~.player.Player`."""
        with self._change:
            self._held = None
            if self._player is not None:
                self._player.stop()

    def close(self) -> None:
        """See :class:`~.player.Player`."""
        self._closed.set()
        sound_system.unregister(self)
        if self._player is not None:
            self._player.close()

    # -- the device is lost ---------------------------------------------------

    def _lose(self) -> None:
        with self._change:
            if self._lost or self._closed.is_set():
                return
            self._lost = True
            gone, self._player = self._player, None
        threading.Thread(
            target=self._try_again, args=(gone,), daemon=True, name="loudspeaker"
        ).start()

    def _try_again(self, gone: Player | None) -> None:
        _close(gone)
        tries = 0
        while not self._closed.wait(self._retry_s):
            tries += 1
            if self._player is None and self._sound is not None and tries % ANEW_EVERY == 0:
                sound_system.begin_anew(self._sound, self)
            if self._player is not None or self._reopened():
                return

    def _reopened(self) -> bool:
        try:
            player = self._make()
        except EquipmentError:
            return False
        with self._change:
            if self._player is not None or self._closed.is_set():
                _close(player)
                return True
            self._player, self._lost = player, False
            if self._held is not None:
                player.play(self._held)
                self._held = None
        return True

    # -- the sound system begins anew -------------------------------------------

    def release(self) -> None:
        """See :class:`~assistant.sound.devices.User`; lets a sentence end first."""
        until_s = time.monotonic() + _PATIENCE_S
        while (player := self._player) is not None and player.busy:
            if time.monotonic() > until_s:
                self._lose()  # what was cut was not heard
                return
            time.sleep(0.02)
        with self._change:
            gone, self._player = self._player, None
            self._changing = True
        _close(gone)

    def regain(self) -> None:
        """See :class:`~assistant.sound.devices.User`."""
        back = self._closed.is_set() or self._reopened()
        with self._change:
            self._changing = False
            if not back:
                self._held = None
                if not self._lost:
                    self._lost = True
                    threading.Thread(
                        target=self._try_again, args=(None,), daemon=True, name="loudspeaker"
                    ).start()


def _close(player: Player | None) -> None:
    """Give a device back that may be gone."""
    if player is not None:
        try:
            player.close()
        except Exception:  # PortAudio may refuse to close what is gone
            return
