"""What is known of the paths of a section before a response is read: the same as when it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pytest

from roomplan.session.response_matrices import ResponseMatrix, section_outline, section_response

NOISE = np.random.default_rng(5).standard_normal((4, 100))
LEFT, RIGHT, OTHER_LEFT, OTHER_RIGHT = NOISE
MATRICES = {
    "one_source": (True, {(0, 0): LEFT, (0, 1): RIGHT}),
    "one source of one channel": (True, {(0, 0): LEFT, (0, 1): LEFT}),
    "per_channel": (False, {(0, 0): LEFT, (1, 1): RIGHT}),
    "one channel for both": (False, {(0, 0): LEFT, (1, 1): LEFT}),
    "true_stereo": (False, {(0, 0): LEFT, (0, 1): RIGHT, (1, 0): OTHER_LEFT, (1, 1): OTHER_RIGHT}),
}


@dataclass
class Section:
    """A section as far as its paths need one."""

    signal_channels: int


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("wiring", MATRICES)
def test_the_outline_of_a_send_is_that_of_its_paths(wiring, channels):
    sums, cells = MATRICES[wiring]
    matrix, section = ResponseMatrix(sums, cells), cast("Any", Section(channels))
    of_number = {number: cells[place] for place, (number, _taps) in matrix.outline.items()}
    outline, response = section_outline(section, matrix), section_response(section, matrix)
    assert [path[:3] for path in outline] == [path[:3] for path in response]
    for (*_outline, numbers), (*_path, cell) in zip(outline, response, strict=True):
        np.testing.assert_allclose(sum(of_number[number] for number in numbers), cell)
