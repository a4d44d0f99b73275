"""Issuing a reviewed and written record: report number, the second person who authorises, a key to sign with."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from qtpy.QtWidgets import QFileDialog, QLineEdit, QVBoxLayout, QWidget

from specimeter.record.issue import next_number
from specimeter_napari import parts


class Issuing(QWidget):
    """What stands under the finding once a record is written: issue it, or begin a new revision of one that was issued."""

    def __init__(self, bench) -> None:
        super().__init__()
        self.bench, self.key_file, self._shown = bench, None, None
        self.told = parts.label("")
        self.number, self.second = QLineEdit(), QLineEdit()
        self.number.setToolTip("Under which the report is issued; a revision keeps its number")
        self.second.setPlaceholderText("another person than the one at the bench")
        self.second.setToolTip("Who authorises; cannot be the one who issues")
        self.key_button = parts.button("Sign with a key …", self.choose_key, tip="An Ed25519 private key, PEM; optional")
        self.issue_button = parts.button(
            "Issue and freeze", self.issue, role="main", tip="After this nothing changes but by a new revision"
        )
        self.amend_button = parts.button("Begin a new revision …", self.amend, tip="The issued record is kept beside it")
        self.form = parts.column(
            parts.form([("Report number", self.number), ("Authorised by", self.second)]),
            parts.row(self.key_button, self.issue_button),
        )
        down = QVBoxLayout(self)
        down.setContentsMargins(0, 0, 0, 0)
        down.addWidget(parts.card(self.told, self.form, self.amend_button))

    def show_session(self, now) -> None:
        record = now.record
        ready = record is not None and now.folder is not None and now.saved and record.review.state != "unreviewed"
        self.setVisible(ready)
        if not ready or self._shown is record:
            return
        self._shown = record
        issued = record.issue
        self.form.setVisible(issued is None)
        self.amend_button.setVisible(issued is not None)
        if issued is None:
            self.told.setText("Reviewed and written. Issuing freezes it; a second person authorises.")
            self.number.setText(next_number(record, datetime.now(UTC)))
        else:
            self.told.setText(
                f"Issued as {issued.number}, revision {issued.revision}, by {issued.by}, authorised by {issued.authorised_by}."
            )

    def choose_key(self) -> None:
        path, _ = QFileDialog.getOpenFileName(self, "A private key to sign with", "", "Keys (*.pem)")
        self.key_file = Path(path) if path else None
        self.key_button.setText(f"Signed with {self.key_file.name}" if path else "Sign with a key …")

    def issue(self) -> None:
        self.bench.issue(number=self.number.text().strip(), authorised_by=self.second.text().strip(), key_file=self.key_file)

    def amend(self) -> None:
        why = parts.ask_words(self, "A new revision", "Why is the issued report changed?")
        if why:
            self.bench.amend(why)
