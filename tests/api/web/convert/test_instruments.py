"""What is plugged in, as it goes out: what is listened to lacks nothing."""

from __future__ import annotations

from dataclasses import replace

from api.instruments.plugged_in import PluggedIn
from api.web.convert.instruments import found_out
from capture.finding import Found

LACKING = Found(
    "serial", "/dev/ttyUSB0", "serial:/dev/ttyUSB0", "a caliper", "no permission", "usermod ..."
)


def test_what_cannot_be_read_yet_says_what_is_missing_and_how_to_get_it():
    told = found_out(PluggedIn(LACKING, None))
    assert (told.missing, told.remedy, told.listened_as) == ("no permission", "usermod ...", None)
    assert (told.kind, told.device, told.spec, told.likely) == (
        "serial",
        "/dev/ttyUSB0",
        "serial:/dev/ttyUSB0",
        "a caliper",
    )


def test_what_is_listened_to_lacks_nothing_even_without_a_name():
    for name in ("six-inch", ""):
        told = found_out(PluggedIn(LACKING, name))
        assert (told.missing, told.remedy, told.listened_as) == ("", "", name)


def test_what_can_be_read_but_is_not_listened_to_is_nobodys():
    told = found_out(PluggedIn(replace(LACKING, missing="", remedy=""), None))
    assert (told.missing, told.remedy, told.listened_as) == ("", "", None)
