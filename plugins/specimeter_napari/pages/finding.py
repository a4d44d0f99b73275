"""The finding: the outcome with its reasons, each verdict with its features, what is still missing, and the record."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import QUrl
from qtpy.QtGui import QDesktopServices
from qtpy.QtWidgets import QVBoxLayout, QWidget

from specimeter.record import edit
from specimeter.record.edit import left_to_do
from specimeter.report import words
from specimeter_napari import look, parts
from specimeter_napari.pages.issuing import Issuing
from specimeter_napari.pages.page import Page

SEEN = (("Yes", True), ("No", False), ("Cannot tell", "undetermined"))


class FindingPage(Page):
    """Outcome, verdicts, review, report."""

    name = "finding"
    asks_name = True

    def build(self) -> None:
        self.outcome = parts.label("", "title")
        self.because = parts.label("")
        self.left = QWidget()
        self.left_down = QVBoxLayout(self.left)
        self.verdicts = QWidget()
        self.verdicts_down = QVBoxLayout(self.verdicts)
        for layout in (self.left_down, self.verdicts_down):
            layout.setContentsMargins(0, 0, 0, 0)
            layout.setSpacing(6)
        self.write_button = parts.button(
            "Write record and report", self.bench.write, key="Ctrl+S", role="main", tip="record.json, table, picture and report"
        )
        self.report_button = parts.button("Open the report", self.open_report, tip="The report as a page in your browser")
        self.words = parts.label(f"{words.DECIDES} {words.SAFETY}", "quiet")
        self.issuing = Issuing(self.bench)
        self.foot = parts.row(self.write_button, self.report_button)
        self._shown = None
        for widget in (
            parts.card(self.outcome, self.because),
            self.left,
            self.verdicts,
            self.issuing,
            self.words,
        ):
            self.down.addWidget(widget)

    def show_state(self, now) -> None:
        record = now.record
        self.write_button.setEnabled(record is not None and not now.saved)
        self.report_button.setEnabled(now.folder is not None)
        self.issuing.show_session(now)
        if self._shown is record and record is not None:
            return
        self._shown = record
        parts.empty(self.left_down)
        parts.empty(self.verdicts_down)
        if record is None:
            self.outcome.setText("Not measured yet")
            self.because.setText("")
            return
        reviewed = record.review.state != "unreviewed"
        self.outcome.setText(f"{look.OUTCOME_SIGN[record.outcome]}  {words.outcome(record.outcome, reviewed=reviewed)}")
        self.outcome.setStyleSheet(f"color: {look.OUTCOME_COLOUR[record.outcome]};")
        self.because.setText("\n".join(record.reasons))
        missing = [("features", sentence) for sentence in left_to_do(record)]
        if record.limits is None:
            missing.append(("limits", "no limits were entered"))
        for step, sentence in missing:
            link = parts.button(f"→ {sentence}", lambda step=step: self.bench.go(step), role="link", tip=f"Go to {step}")
            self.left_down.addWidget(link)
        asked = {rule["id"]: rule["observation"] for rule in (record.limits or {}).get("rule", ()) if rule.get("observation")}
        for verdict in record.verdicts:
            self.verdicts_down.addWidget(self._verdict(verdict, asked.get(verdict.rule)))

    def _verdict(self, verdict, observation: str | None) -> QWidget:
        head = parts.label(f"{look.OUTCOME_SIGN[verdict.outcome]}  {verdict.name}: {words.VERDICTS[verdict.outcome]}")
        head.setStyleSheet(f"color: {look.OUTCOME_COLOUR[verdict.outcome]}; font-weight: 600;")
        because = parts.label(verdict.because)
        if observation is not None:
            return parts.card(head, because, parts.row(*(self._seen(observation, *word) for word in SEEN)))
        if not verdict.features:
            return parts.card(head, because)
        show = parts.button(
            f"Show {', '.join(verdict.features[:6])}{' …' if len(verdict.features) > 6 else ''}",
            lambda: self.bench.select(verdict.features),
            role="link",
            tip="Select the features that this rule counted",
        )
        return parts.card(head, because, show)

    def _seen(self, observation: str, text: str, value: bool | str) -> QWidget:
        say = lambda: self.bench.act(f"{observation}: {text}", edit.observe, observation, value)
        return parts.button(text, say, tip=f"What you saw of it: {observation.replace('-', ' ')}")

    def open_report(self) -> None:
        now = self.bench.session
        if now is not None and now.folder is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(Path(now.folder) / "report.html")))
