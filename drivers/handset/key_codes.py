"""Names of the keys of Linux key devices, as presenters, number pads and keyboards have them.

Numbers and names: Linux, include/uapi/linux/input-event-codes.h. A key that is not here is named by
its number, which ``evtest`` or ``libinput debug-events`` tells.
"""

from __future__ import annotations

HIGHEST_CODE = 0x2FF
"""KEY_MAX."""

_ROWS = (
    (1, "ESC 1 2 3 4 5 6 7 8 9 0 MINUS EQUAL BACKSPACE TAB"),
    (16, "Q W E R T Y U I O P LEFTBRACE RIGHTBRACE ENTER LEFTCTRL"),
    (30, "A S D F G H J K L SEMICOLON APOSTROPHE GRAVE LEFTSHIFT BACKSLASH"),
    (44, "Z X C V B N M COMMA DOT SLASH RIGHTSHIFT KPASTERISK LEFTALT SPACE CAPSLOCK"),
    (59, "F1 F2 F3 F4 F5 F6 F7 F8 F9 F10 NUMLOCK SCROLLLOCK"),
    (71, "KP7 KP8 KP9 KPMINUS KP4 KP5 KP6 KPPLUS KP1 KP2 KP3 KP0 KPDOT"),
    (87, "F11 F12"),
    (96, "KPENTER RIGHTCTRL KPSLASH SYSRQ RIGHTALT LINEFEED HOME UP PAGEUP LEFT RIGHT END"),
    (107, "END DOWN PAGEDOWN INSERT DELETE MACRO MUTE VOLUMEDOWN VOLUMEUP POWER KPEQUAL"),
    (163, "NEXTSONG PLAYPAUSE PREVIOUSSONG STOPCD"),
    (183, "F13 F14 F15 F16 F17 F18 F19 F20 F21 F22 F23 F24"),
)

CODES = {f"KEY_{name}": base + i for base, row in _ROWS for i, name in enumerate(row.split())}
"""Code by name."""


def code_of(name: str) -> int | None:
    """The code of a key by its name, or by its number in digits; None for none."""
    if name.isascii() and name.isdigit() and 0 < int(name) <= HIGHEST_CODE:
        return int(name)
    return CODES.get(name)
