"""What the channels of a sound are, and what BS.1770 weighs them with.

Conventions
-----------
A role is written as on the command line and in the tables of the standards: L, R, C, LFE, Ls, Rs; one channel
alone is mono. Capitals and spaces do not matter. More than two channels have no role until somebody names it.

Sources
-------
ITU-R BS.1770-5, Annex 1: power weights 1 for left, right and centre, 1.41 for the surrounds; the
low-frequency effects channel is left out.
"""

from __future__ import annotations

from difflib import get_close_matches
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["ChannelRole", "channel_roles", "parse_roles", "role_weights"]


class ChannelRole(StrEnum):
    """Role of one channel; the value is how it is written."""

    MONO = "mono"
    LEFT = "L"
    RIGHT = "R"
    CENTRE = "C"
    LOW_FREQUENCY_EFFECTS = "LFE"
    LEFT_SURROUND = "Ls"
    RIGHT_SURROUND = "Rs"

    @property
    def weight(self) -> float:
        """Power weight of BS.1770-5, Annex 1."""
        return _WEIGHTS.get(self, 1.0)


_WEIGHTS = {
    ChannelRole.LOW_FREQUENCY_EFFECTS: 0.0,
    ChannelRole.LEFT_SURROUND: 1.41,
    ChannelRole.RIGHT_SURROUND: 1.41,
}

_ROLE_OF_TEXT = {role.value.lower(): role for role in ChannelRole}

# Other spellings people use: not understood, since one program's "SL" is another's "Sl", but hinted at.
_LIKELY_MEANT = {
    "m": ChannelRole.MONO,
    "left": ChannelRole.LEFT,
    "right": ChannelRole.RIGHT,
    "centre": ChannelRole.CENTRE,
    "center": ChannelRole.CENTRE,
    "sub": ChannelRole.LOW_FREQUENCY_EFFECTS,
    "sl": ChannelRole.LEFT_SURROUND,
    "lss": ChannelRole.LEFT_SURROUND,
    "left surround": ChannelRole.LEFT_SURROUND,
    "sr": ChannelRole.RIGHT_SURROUND,
    "rss": ChannelRole.RIGHT_SURROUND,
    "right surround": ChannelRole.RIGHT_SURROUND,
}

_WRITTEN = "L, R, C, LFE, Ls, Rs, or mono alone"


def parse_roles(text: str) -> tuple[ChannelRole, ...]:
    """Read roles written one after the other, such as ``L,R,C,LFE,Ls,Rs``.

    Parameters
    ----------
    text : str
        Roles in the order of the channels, between commas.

    Raises
    ------
    RoomplanError
        For a word that is no role, a role that is there twice, or mono beside others.

    Notes
    -----
    Whether there are as many as channels is `channel_roles`' question. Not done: roles by position
    (BS.1770-5, Annex 3); two channels of one role would be such.
    """
    return _validate_together([_role(word) for word in text.split(",")])


def channel_roles(channels: int, roles: Sequence[ChannelRole] | None = None) -> tuple[ChannelRole, ...]:
    """Roles of all channels: those given, or the obvious ones of one and two channels.

    Parameters
    ----------
    channels : int
        Number of channels.
    roles : sequence of ChannelRole, optional
        One per channel. None means mono for one and L, R for two; more are never guessed.

    Raises
    ------
    RoomplanError
        When more than two channels come without roles, or the roles do not fit the channels.
    """
    if roles is None:
        if channels == 1:
            return (ChannelRole.MONO,)
        if channels == 2:
            return (ChannelRole.LEFT, ChannelRole.RIGHT)
        raise RoomplanError(
            f"the roles of {channels} channels are unknown",
            remedy="name them in the order of the channels, such as L,R,C,LFE,Ls,Rs",
        )
    if len(roles) != channels:
        raise RoomplanError(
            f"{len(roles)} roles ({','.join(roles)}) for {channels} channel{'' if channels == 1 else 's'}",
            remedy="name one role per channel",
        )
    return _validate_together(roles)


def role_weights(roles: Sequence[ChannelRole]) -> NDArray[np.float64]:
    """Power weights of roles.

    Returns
    -------
    ndarray, shape (roles,)
    """
    return np.array([role.weight for role in roles])


def _role(word: str) -> ChannelRole:
    plain = " ".join(word.split()).lower()
    if plain in _ROLE_OF_TEXT:
        return _ROLE_OF_TEXT[plain]
    if not plain:
        raise RoomplanError("a channel role is empty", remedy=f"write {_WRITTEN}, between commas")
    near = _LIKELY_MEANT.get(plain)
    if near is None:
        close = get_close_matches(plain, _ROLE_OF_TEXT, 1)
        near = _ROLE_OF_TEXT[close[0]] if close else None
    raise RoomplanError(
        f"there is no channel role {word.strip()!r}",
        remedy=f"did you mean {near}? ({_WRITTEN})" if near else f"one of {_WRITTEN}",
    )


def _validate_together(roles: Sequence[ChannelRole]) -> tuple[ChannelRole, ...]:
    twice = next((role for k, role in enumerate(roles) if role in roles[:k]), None)
    if twice is not None:
        raise RoomplanError(
            f"the channel role {twice} appears twice in {','.join(roles)}", remedy="name every role once"
        )
    if ChannelRole.MONO in roles and len(roles) > 1:
        raise RoomplanError(
            f"mono is the role of a channel alone, not of one of {len(roles)}",
            remedy="write C for a centre channel",
        )
    return tuple(roles)
