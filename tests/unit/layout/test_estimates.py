# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Speed estimates: the rules of thumb, written out for a few pools."""

import pytest

from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import InputError
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.estimates import speed
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.layout.figure import Figure
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.model import Member, Vdev

from .pools import layout_vdevs


def numbers(found):
    return tuple(
        figure.value for figure in (found.streaming_read, found.streaming_write, found.random_read, found.random_write)
    )


@pytest.mark.parametrize(
    ("vdevs", "expected"),
    [
        (layout_vdevs(12, 2), (20, 20, 2, 2)),
        (layout_vdevs(6, 2, count=2), (16, 16, 4, 4)),
        (layout_vdevs(2, 1, count=6, kind="mirror"), (24, 12, 24, 12)),
        ((Vdev("stripe", 0, layout_vdevs(5, 1)[0].members),), (5, 5, 5, 5)),
    ],
)
def test_multiples_of_one_unit(vdevs, expected):
    assert numbers(speed(vdevs)) == expected


def test_draid_counts_the_groups_that_fit():
    members = tuple(Member("D{0}".format(n), 0) for n in range(13))
    assert numbers(speed((Vdev("draid", 2, members, data=4, spares=1),))) == (8, 8, 2, 2)


def test_a_link_limits_streams_but_not_seeks():
    # Both units stream 1 each; the link carries 1.5: three quarters.
    found = speed(layout_vdevs(12, 2), drive_limit=1.5)
    assert numbers(found) == (15, 15, 2, 2)
    assert "75%" in found.streaming_read.note
    assert numbers(speed(layout_vdevs(12, 2), drive_limit=4)) == (20, 20, 2, 2)


def test_every_figure_says_that_it_is_an_estimate():
    found = speed(layout_vdevs(12, 2))
    assert {found.streaming_read.how, found.random_write.how} == {"estimate"}
    assert "no cache" in found.random_read.note
    with pytest.raises(InputError):
        Figure(1, "units", "guess")
