"""Roles of channels: what they weigh, how they are written, and that none is guessed."""

from __future__ import annotations

import pytest

from roomplan.errors import RoomplanError
from roomplan.loudness import ChannelRole, channel_roles, parse_roles, role_weights

FIVE_ONE = tuple(ChannelRole(text) for text in ("L", "R", "C", "LFE", "Ls", "Rs"))


def test_weights_are_those_of_the_standard():
    # ITU-R BS.1770-5, Annex 1: 1 in front, 1.41 (not the square root of two) for surrounds, LFE left out.
    assert role_weights(FIVE_ONE).tolist() == [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]
    assert role_weights([ChannelRole.MONO]).tolist() == [1.0]


@pytest.mark.parametrize("text", ["L,R,C,LFE,Ls,Rs", " l, r ,c,lfe, LS,rS"])
def test_roles_are_read_whatever_their_capitals_and_spaces(text):
    assert parse_roles(text) == FIVE_ONE


def test_roles_keep_the_order_they_are_written_in():
    assert [role.value for role in parse_roles("C,L,R")] == ["C", "L", "R"]


def test_one_and_two_channels_have_obvious_roles():
    assert channel_roles(1) == (ChannelRole.MONO,)
    assert channel_roles(2) == (ChannelRole.LEFT, ChannelRole.RIGHT)


@pytest.mark.parametrize("channels", [3, 4, 5, 6, 8])
def test_roles_of_more_channels_are_never_guessed(channels):
    with pytest.raises(RoomplanError, match=f"the roles of {channels} channels are unknown"):
        channel_roles(channels)


WRITTEN = "L, R, C, LFE, Ls, Rs, or mono alone"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("L,R,C,LFX,Ls,Rs", f"there is no channel role 'LFX' — did you mean LFE? ({WRITTEN})"),
        ("left,R", f"there is no channel role 'left' — did you mean L? ({WRITTEN})"),
        ("L,R,Sl,Sr", f"there is no channel role 'Sl' — did you mean Ls? ({WRITTEN})"),
        ("L,R,top", f"there is no channel role 'top' — one of {WRITTEN}"),
        ("L,,C", f"a channel role is empty — write {WRITTEN}, between commas"),
        ("", f"a channel role is empty — write {WRITTEN}, between commas"),
        ("L,R,L", "the channel role L appears twice in L,R,L — name every role once"),
        ("L,mono", "mono is the role of a channel alone, not of one of 2 — write C for a centre channel"),
    ],
)
def test_roles_that_cannot_be_read_say_what_would_be_right_in_one_line(text, message):
    with pytest.raises(RoomplanError) as error:
        parse_roles(text)
    assert str(error.value) == message


@pytest.mark.parametrize(
    ("channels", "text", "message"),
    [
        (5, "L,R,C,LFE,Ls,Rs", "6 roles (L,R,C,LFE,Ls,Rs) for 5 channels — name one role per channel"),
        (1, "L,R", "2 roles (L,R) for 1 channel — name one role per channel"),
    ],
)
def test_roles_of_another_count_than_the_channels_are_refused(channels, text, message):
    with pytest.raises(RoomplanError) as error:
        channel_roles(channels, parse_roles(text))
    assert str(error.value) == message
