"""Islands and batches of routes."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.convolution.routing import Route, batches_of, islands

ROUTES = st.lists(st.builds(Route, st.integers(0, 6), st.integers(0, 6), st.integers(0, 2)), max_size=15)


def _routes_in(batches):
    return [route for batch in batches for into in batch.outputs.values() for route in into]


@settings(max_examples=100)
@given(ROUTES, st.integers(1, 8))
def test_batches_hold_every_route_once_and_share_neither_inputs_nor_outputs(routes, least):
    for batches in (islands(routes), batches_of(routes, least_inputs=least)):
        key = lambda route: (route.input, route.output, route.response)  # noqa: E731
        assert sorted(_routes_in(batches), key=key) == sorted(routes, key=key)
        for field in ("inputs", "outputs"):
            members = [channel for batch in batches for channel in getattr(batch, field)]
            assert len(members) == len(set(members))
        for batch in batches:
            assert set(batch.inputs) == {route.input for route in _routes_in([batch])}


def test_two_sections_without_a_common_output_are_two_islands_and_a_shared_output_joins_them():
    apart = [Route(0, 0, 0), Route(0, 1, 1), Route(1, 2, 0), Route(1, 3, 1)]
    assert [batch.inputs for batch in islands(apart)] == [(0,), (1,)]
    assert [batch.inputs for batch in islands([*apart, Route(1, 0, 0)])] == [(0, 1)]


def test_a_chain_of_shared_outputs_is_one_island():
    chain = [Route(0, 0, 0), Route(1, 1, 0), Route(2, 0, 0), Route(2, 1, 0)]
    assert len(islands(chain)) == 1


def test_batches_join_islands_until_there_are_enough_inputs():
    routes = [Route(channel, channel, 0) for channel in range(5)]
    assert [batch.inputs for batch in batches_of(routes, least_inputs=2)] == [(0, 1), (2, 3), (4,)]
    assert len(batches_of(routes, least_inputs=99)) == 1


def test_routes_into_one_output_keep_their_order():
    routes = [Route(2, 0, 0), Route(1, 0, 1), Route(0, 0, 2)]
    assert islands(routes)[0].outputs[0] == tuple(routes)
