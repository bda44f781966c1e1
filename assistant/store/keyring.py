"""The passphrase of the signing key, held by the system's key ring (extra ``sign``)."""

from __future__ import annotations

from assistant.errors import PassphraseError

SERVICE = "fillwarm signing key"
"""Under which the system's key ring holds the passphrase."""


def keep_in_keyring(key: str, passphrase: str) -> None:
    """Have the system's key ring hold a passphrase.

    Raises:
        PassphraseError: this system has none, or it is locked.
    """
    import keyring  # noqa: PLC0415 - an extra
    from keyring.errors import KeyringError  # noqa: PLC0415

    try:
        keyring.set_password(SERVICE, key, passphrase)
    except KeyringError as bad:
        raise PassphraseError(
            f"This system's key ring does not hold it ({bad}); make the key without --keyring."
        ) from None


def from_keyring(key: str) -> str:
    """The passphrase that the system's key ring holds.

    Raises:
        PassphraseError: it does not.
    """
    import keyring  # noqa: PLC0415 - an extra
    from keyring.errors import KeyringError  # noqa: PLC0415

    try:
        found = keyring.get_password(SERVICE, key)
    except KeyringError:
        found = None
    if found is None:
        raise PassphraseError(
            "The system's key ring does not give the passphrase of the signing key; unlock it."
        )
    return found
