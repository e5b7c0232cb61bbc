from __future__ import annotations

import pytest

from roomplan.errors import RoomplanError
from roomplan.files.resources import bundled_folder


@pytest.mark.parametrize("name", ["irs_synthetic", "configs"])
def test_bundled_folders_are_found(name):
    assert bundled_folder(name).is_dir()


def test_a_missing_bundled_folder_is_one_line():
    with pytest.raises(RoomplanError, match="bundled folder irs_measured is missing"):
        bundled_folder("irs_measured")
