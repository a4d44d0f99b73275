"""One rule after another as fields: what is looked at, what is compared, with what."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any, get_args

from qtpy.QtWidgets import QComboBox, QLineEdit, QVBoxLayout, QWidget

from specimeter.judge.limits import Test
from specimeter.sheet import KINDS
from specimeter_napari import parts

WORDS = {
    "each": "each feature",
    "sum": "the sum of the features",
    "count": "the number of features",
    "share": "a share in percent",
    "spacing": "the clear distance between features",
    "window": "a sum within a length of weld",
    "section": "a size of the section",
    "observation": "what a person saw",
}
TEXTS = (
    ("id", "Short name", "letters, digits and _; used in verdicts"),
    ("name", "In words", "what the rule is about"),
    ("where", "Only where", "a condition, such as: not at_corner"),
    ("size", "Size", "length_mm, width_mm, area_mm2, or an expression of them"),
    ("counted", "Counted if", "for sums and counts, such as: length_mm > 1 and length_mm <= 3"),
    ("limit", "Limit", "a number, or arithmetic such as: min(3, t / 2)"),
    ("observation", "Observation", "its name on the sheet, such as: complete-root-fusion"),
)
CHOICES = (
    ("sense", "Must be", ("at most", "below", "at least", "above")),
    ("unit", "Unit", ("mm", "in")),
    ("beyond", "Else it", ("exceeds", "replace")),
)


class LimitsForm(QWidget):
    """Tells `changed` the tables after each edit by a person."""

    def __init__(self, changed: Callable[[dict[str, Any]], None]) -> None:
        super().__init__()
        self._changed, self._tables, self._quiet = changed, {}, True
        self.title, self.basis, self.decision = QLineEdit(), QLineEdit(), QComboBox()
        self.basis.setToolTip("Code, edition and clause that they were entered from")
        self.decision.addItem("guarded: U counts against", "guarded")
        self.decision.addItem("simple: U is only told", "simple")
        self.which = QComboBox()
        self.which.setToolTip("The rule that is shown below")
        self.which.activated.connect(lambda _: self._show_rule())
        self.add_button = parts.button("New rule", self.add, tip="Add a rule")
        self.drop_button = parts.button("Drop it", self.drop, tip="Take the rule shown out")
        self.test = QComboBox()
        for test in get_args(Test):
            self.test.addItem(WORDS[test], test)
        self.texts = {key: QLineEdit() for key, _, _ in TEXTS}
        for key, _, tip in TEXTS:
            self.texts[key].setToolTip(tip)
            self.texts[key].setPlaceholderText(tip)
        self.kinds = QLineEdit()
        self.kinds.setToolTip("Kinds or causes that the rule looks at, with commas; * for every kind")
        self.choices = {key: QComboBox() for key, _, _ in CHOICES}
        for key, _, words in CHOICES:
            self.choices[key].addItems(words)
        rows = [("Compared is", self.test), *((text, self.texts[key]) for key, text, _ in TEXTS[:2]), ("Kinds", self.kinds)]
        rows += [(text, self.texts[key]) for key, text, _ in TEXTS[2:5]]
        rows += [(CHOICES[0][1], self.choices["sense"]), ("Limit", self.texts["limit"])]
        rows += [(text, self.choices[key]) for key, text, _ in CHOICES[1:]] + [("Observation", self.texts["observation"])]
        self.rule_card = parts.card(self.which, parts.row(self.add_button, self.drop_button), parts.form(rows))
        down = QVBoxLayout(self)
        down.setContentsMargins(0, 0, 0, 0)
        down.addWidget(parts.form([("Title", self.title), ("Entered from", self.basis), ("Decision", self.decision)]))
        down.addWidget(self.rule_card)
        for field in (self.title, self.basis, self.kinds, *self.texts.values()):
            field.textEdited.connect(lambda _: self._edited())
        for box in (self.decision, self.test, *self.choices.values()):
            box.activated.connect(lambda _: self._edited())

    def show_tables(self, tables: dict[str, Any]) -> None:
        """Show tables as far as they are of the right shape: text that is being typed need not be."""
        self._tables = copy.deepcopy(tables)
        head = tables.get("limits") if isinstance(tables.get("limits"), dict) else {}
        self.title.setText(str(head.get("title", "")))
        self.basis.setText(str(head.get("basis", "")))
        if not self.basis.hasFocus():
            self.basis.setCursorPosition(0)
        self.decision.setCurrentIndex(max(0, self.decision.findData(head.get("decision"))))
        at = max(0, self.which.currentIndex())
        self.which.clear()
        for rule in self._rules():
            self.which.addItem(str(rule.get("name") or rule.get("id") or "rule"))
        self.which.setCurrentIndex(min(at, self.which.count() - 1))
        self._show_rule()

    def add(self) -> None:
        """A new rule: each feature's length, to be filled in."""
        rules = self._rules()
        names = {str(rule.get("id")) for rule in rules}
        new = next(f"rule_{number}" for number in range(1, 500) if f"rule_{number}" not in names)
        rule = {
            "id": new,
            "kinds": list(KINDS),
            "size": "length_mm",
            "test": "each",
            "limit": 3.0,
            "unit": "mm",
            "sense": "at most",
        }
        self._tables["rule"] = [*rules, rule]
        self._tell(show=len(rules))

    def drop(self) -> None:
        """Take the rule shown out."""
        at = self.which.currentIndex()
        if at >= 0:
            self._tables["rule"] = [rule for number, rule in enumerate(self._rules()) if number != at]
            self._tell(show=max(0, at - 1))

    def _rules(self) -> list[dict[str, Any]]:
        rules = self._tables.get("rule")
        return [rule for rule in rules if isinstance(rule, dict)] if isinstance(rules, list) else []

    def _tell(self, *, show: int) -> None:
        self.show_tables(self._tables)
        self.which.setCurrentIndex(min(show, self.which.count() - 1))
        self._show_rule()
        self._changed(copy.deepcopy(self._tables))

    def _show_rule(self) -> None:
        rules, at = self._rules(), self.which.currentIndex()
        rule = rules[at] if 0 <= at < len(rules) else {}
        self.drop_button.setEnabled(bool(rule))
        for widget in (self.test, self.kinds, *self.texts.values(), *self.choices.values()):
            widget.setEnabled(bool(rule))
        self.test.setCurrentIndex(max(0, self.test.findData(rule.get("test", "each"))))
        for key, field in self.texts.items():
            value = rule.get(key, "")
            field.setText(f"{value:.15g}" if isinstance(value, float | int) and not isinstance(value, bool) else str(value))
        self.kinds.setText(_kinds_text(rule.get("kinds", [])))
        for key, box in self.choices.items():
            box.setCurrentIndex(max(0, box.findText(str(rule.get(key, "")))))

    def _edited(self) -> None:
        self._tables.setdefault("limits", {})
        self._tables["limits"] |= {
            "title": self.title.text(),
            "basis": self.basis.text(),
            "decision": self.decision.currentData(),
        }
        rules, at = self._rules(), self.which.currentIndex()
        if 0 <= at < len(rules):
            rules[at] = self._rule(rules[at])
            self._tables["rule"] = rules
            self.which.setItemText(at, str(rules[at].get("name") or rules[at].get("id") or "rule"))
        self._changed(copy.deepcopy(self._tables))

    def _rule(self, old: dict[str, Any]) -> dict[str, Any]:
        """The rule as the fields say; what the form does not show of it is kept."""
        new = {key: value for key, value in old.items() if key not in (*self.texts, *self.choices, "kinds", "test")}
        new["test"] = self.test.currentData()
        for key, field in self.texts.items():
            if text := field.text().strip():
                new[key] = _number(text) if key == "limit" else text
        if self.kinds.text().strip() == _kinds_text(old.get("kinds", [])):
            kinds = old.get("kinds", [])  # in the order in which they were entered
        else:
            wanted = [kind.strip() for kind in self.kinds.text().split(",") if kind.strip()]
            kinds = list(KINDS) if wanted == ["*"] else wanted
        if kinds:
            new["kinds"] = kinds
        other_test = new["test"] != old.get("test")
        for key, _, words in CHOICES:
            said = self.choices[key].currentText()
            if key in old or said != words[0] or (other_test and key in ("unit", "sense")):
                new[key] = said
        if new["test"] == "observation":
            for key in ("kinds", "size", "limit", "unit", "sense"):
                new.pop(key, None)
        return new


def _kinds_text(kinds: Any) -> str:
    """The kinds with commas; every one of them is a star."""
    named = list(map(str, kinds)) if isinstance(kinds, list | tuple) else []
    return "*" if named and set(named) == set(KINDS) else ", ".join(named)


def _number(text: str) -> float | str:
    """A number, with a decimal point or comma; anything else is arithmetic, and checked as such."""
    try:
        return float(text.replace(",", ".") if text.count(",") == 1 else text)
    except ValueError:
        return text
