"""Every key of the bench in one table: it binds them, and tooltips and the list of keys are written from it."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtGui import QAction, QKeySequence, QShortcut
from qtpy.QtWidgets import QApplication, QWidget

# Key, what it does, the page and the method it calls ("" is the bench itself), and what it hands on.
GENERAL = (
    ("Ctrl+O", "open a photograph", "specimen", "choose_file", ()),
    ("Ctrl+Z", "undo", "", "undo", ()),
    ("Ctrl+Shift+Z", "redo", "", "redo", ()),
    ("Ctrl+Y", "redo", "", "redo", ()),
    ("Ctrl+S", "write the record and its report", "", "write", ()),
    ("Esc", "lay the tool down, or stop the work", "", "escape", ()),
    *((f"Ctrl+{number}", f"go to step {number}", "", "go_number", (number,)) for number in range(1, 7)),
    ("V", "show or hide the unrolled view", "", "show_unrolled", ()),
    ("F1", "show these keys", "", "show_keys", ()),
)
TOOL = (  # only while a tool is in the hand: elsewhere these keys belong to whatever has the focus
    ("Return", "finish what the tool draws", "", "finish", ()),
    ("Enter", "finish what the tool draws", "", "finish", ()),
    ("Backspace", "take the tool's last point back", "", "back", ()),
    *(
        (f"{shift}{key}", f"move the tool {key.lower()}{', finely' if shift else ''}", "", "step", (far * x, far * y))
        for shift, far in (("", 10), ("Shift+", 1))
        for key, x, y in (("Left", -1, 0), ("Right", 1, 0), ("Up", 0, -1), ("Down", 0, 1))
    ),
    ("Space", "click there, or begin and end a stroke there", "", "press", ()),
)
FEATURES = (
    ("N", "next feature that waits for you", "features", "next_open", ()),
    ("P", "previous feature", "features", "previous", ()),
    ("A", "accept", "features", "accept", ()),
    ("R", "reject, with a reason", "features", "ask_reason", ()),
    ("W", "set aside: real, but counted by no rule", "features", "set_aside", ()),
    ("Z", "look closer at the selected feature", "features", "look_closer", ()),
    ("T", "trace a new feature along its edge", "features", "draw", ("trace",)),
    ("G", "grow a new feature from one click", "features", "draw", ("grow",)),
    ("D", "draw a new feature as a polygon", "features", "draw", ("polygon",)),
    ("B", "paint", "features", "draw", ("brush",)),
    ("I", "find more by example", "features", "draw", ("example",)),
    ("J", "drag points of the selected outline", "features", "draw", ("points",)),
    ("L", "measure a length along the surface", "features", "draw", ("length",)),
    ("H", "redraw a part of the selected outline", "features", "draw", ("reshape",)),
    ("S", "cut the selected feature in two", "features", "draw", ("split",)),
    ("M", "make the selected features one", "features", "draw", ("merge",)),
    ("X", "snap the selected outline; brush: add or take away; example: this or not this", "features", "draw", ("snap",)),
    ("K", "link the selected ones as one imperfection, or undo that", "features", "link", ()),
    ("[", "smaller brush, less growth", "features", "draw", ("widen", -1)),
    ("]", "larger brush, more growth", "features", "draw", ("widen", 1)),
    ("Del", "reject, with a reason", "features", "ask_reason", ()),
    ("Shift+A", "say that the whole face was looked over", "features", "looked_over", ()),
)
KIND_KEYS = {
    "1": "opening",
    "2": "crack",
    "3": "pore",
    "4": "slag",
    "5": "lack-of-sidewall-fusion",
    "6": "lack-of-inter-run-fusion",
    "7": "lack-of-root-fusion",
    "8": "lack-of-penetration",
    "9": "undercut",
    "0": "other",
    "E": "elongated-cavity",
    "U": "lack-of-fusion",
    "O": "overlap",
    "Y": "fisheye",
}


class Keys:
    """Every key at work wherever the focus is in the window; fields to write in keep their letters."""

    def __init__(self, bench: QWidget, window: QWidget) -> None:
        kinds = [
            entry
            for key, kind in KIND_KEYS.items()
            for entry in ((key, "", "features", "classify", (kind,)), (f"Alt+{key}", "", "features", "name_cause", (kind,)))
        ]
        self._tool: list[QShortcut] = []
        self._all: list[QShortcut] = []
        self._freed: list[tuple[QAction, list[QKeySequence]]] = []
        for key, _, page, method, given in (*GENERAL, *TOOL, *FEATURES, *kinds):
            shortcut = QShortcut(QKeySequence(key), window)
            shortcut.setContext(Qt.ShortcutContext.WindowShortcut)
            target = bench.pages[page] if page else bench
            shortcut.activated.connect(lambda target=target, method=method, given=given: getattr(target, method)(*given))
            self._all.append(shortcut)
            if any(key == entry[0] for entry in TOOL):
                shortcut.setEnabled(False)
                self._tool.append(shortcut)
        self._free()

    def tool_in_hand(self, there: bool) -> None:
        for shortcut in self._tool:
            shortcut.setEnabled(there)

    def disconnect(self) -> None:
        """Give the window its own keys back."""
        for shortcut in self._all:
            shortcut.setEnabled(False)
            shortcut.deleteLater()
        for action, keys in self._freed:
            action.setShortcuts(keys)

    def _free(self) -> None:
        """Keys that the window's menus use too would be ambiguous, and then do nothing: here they are ours."""
        ours = {shortcut.key().toString() for shortcut in self._all}
        for action in {action for widget in QApplication.allWidgets() for action in widget.actions()}:
            keys = action.shortcuts()
            if any(key.toString() in ours for key in keys):
                self._freed.append((action, keys))
                action.setShortcuts([key for key in keys if key.toString() not in ours])


def listed() -> list[tuple[str, str]]:
    """Key and what it does, in the order of the table."""
    kinds = [(f"{key}, Alt+{key}", f"{kind}: as kind, as likely cause") for key, kind in KIND_KEYS.items()]
    return [(key, does) for key, does, *_ in (*GENERAL, *TOOL, *FEATURES)] + kinds
