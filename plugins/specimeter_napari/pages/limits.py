"""The limits: entered in a form that writes the same file a person would, checked while typing."""

from __future__ import annotations

from qtpy.QtWidgets import QFileDialog, QMenu

from specimeter.data import shared
from specimeter.judge import limits as judge_limits
from specimeter.record.renew import with_limits  # noqa: F401
from specimeter_napari import parts
from specimeter_napari.pages.page import Page


class LimitsPage(Page):
    """Take limits from a file or an example."""

    name = "limits"
    asks_name = True

    def build(self) -> None:
        self.open_button = parts.button("Open …", self.choose_file, tip="Limits from a file")
        self.example_button = parts.button("Start from an example", lambda: None, tip="Examples to check against your code")
        menu = QMenu(self.example_button)
        for path in sorted((shared() / "limits").glob("*.toml")):
            menu.addAction(path.stem.replace("-", " ")).triggered.connect(lambda _=False, path=path: self.read(path))
        self.example_button.setMenu(menu)
        self.title = parts.label("", "number")
        self.basis = parts.label("", "quiet")
        for widget in (parts.row(self.open_button, self.example_button), parts.card(self.title, self.basis)):
            self.down.addWidget(widget)

    def show_state(self, now) -> None:
        limits = now.state.limits
        self.title.setText("No limits yet" if limits is None else limits.limits.title)
        self.basis.setText("" if limits is None else limits.limits.basis)

    def choose_file(self) -> None:
        path, _ = QFileDialog.getOpenFileName(self, "Open limits", "", "Limits (*.toml)")
        if path:
            self.read(path)

    def read(self, path) -> None:
        """Take the limits of a file."""
        now = self.bench.session
        if now is None or (now.record is not None and not self.bench.named()):
            return
        self.bench.guarded(lambda: now.enter_limits(judge_limits.read(path)))
