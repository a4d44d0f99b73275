"""Colours, shapes and the style sheet of the bench: dark slate under the picture, paper-white words, four safe signal colours.

Text keeps a contrast of at least 7 to 1 on its ground (WCAG 2.1, 1.4.6). The signal colours are Okabe and Ito's (2008), which
people with the usual colour blindnesses tell apart; no meaning hangs on colour alone: each has a shape of its own as well.
"""

from __future__ import annotations

# Grounds from dark to light, then words.
GROUND, CARD, RAISED, LINE = "#1d222b", "#272e3a", "#343d4c", "#4a5567"
INK, QUIET, DARK = "#f5f1e6", "#c3cad6", "#12151b"
SKY, AMBER, GREEN, ROSE = "#7cc4f2", "#f0b429", "#3fc79a", "#ff9a76"
ACCENT = SKY
CUT = "#ffec78"  # dimensions of a section

STATUS_COLOUR = {"proposed": AMBER, "confirmed": SKY, "added": GREEN, "rejected": "#aab2bf"}
STATUS_SYMBOL = {"proposed": "disc", "confirmed": "square", "added": "diamond", "rejected": "disc"}
STATUS_SIGN = {"proposed": "?", "confirmed": "✓", "added": "+", "rejected": "✕"}
STATUS_WORD = {"proposed": "proposed", "confirmed": "accepted", "added": "added", "rejected": "rejected"}

STEP_COLOUR = {"done": GREEN, "you": AMBER, "wrong": ROSE, "later": LINE, "busy": SKY}
OUTCOME_COLOUR = {
    "within": GREEN, "exceeds": ROSE, "undecided": AMBER, "not-measured": AMBER, "replace": ROSE, "void": ROSE,
    "no-limits": QUIET,
}  # fmt: skip
OUTCOME_SIGN = {
    "within": "✓", "exceeds": "▲", "undecided": "≈", "not-measured": "–", "replace": "↻", "void": "∅", "no-limits": "○",
}  # fmt: skip

TOUCH_PX = 36  # least height of what is pressed: a gloved finger

SHEET = f"""
#bench {{ background: {GROUND}; }}
#bench QWidget {{ color: {INK}; background: transparent; font-size: 13px; }}
#bench QMenu, #bench QDialog {{ background: {CARD}; }}
#bench QMenu::item {{ padding: 8px 18px; }}
#bench QMenu::item:selected {{ background: {ACCENT}; color: {DARK}; }}
#bench QLabel[role="title"] {{ font-size: 18px; font-weight: 600; }}
#bench QLabel[role="quiet"] {{ color: {QUIET}; }}
#bench QLabel[role="number"] {{ font-size: 16px; font-weight: 600; }}
#bench QLabel[role="wrong"] {{ color: {DARK}; background: {ROSE}; border-radius: 6px; padding: 8px; }}
#bench QFrame[role="card"] {{ background: {CARD}; border-radius: 8px; }}
#bench QFrame[role="next"] {{ background: {CARD}; border-left: 4px solid {AMBER}; border-radius: 6px; }}
#bench QPushButton, #bench QToolButton {{
    background: {RAISED}; color: {INK}; border: 1px solid {LINE}; border-radius: 6px; padding: 4px 10px; min-height: 26px; }}
#bench QPushButton:hover, #bench QToolButton:hover {{ border-color: {ACCENT}; }}
#bench QPushButton:focus, #bench QToolButton:focus, #bench QLineEdit:focus, #bench QComboBox:focus, #bench QTableView:focus,
#bench QPlainTextEdit:focus, #bench QCheckBox:focus {{ border: 2px solid {ACCENT}; }}
#bench QPushButton:disabled, #bench QToolButton:disabled {{ color: #8b94a3; background: {CARD}; border-color: {CARD}; }}
#bench QPushButton[role="main"] {{ background: {ACCENT}; color: {DARK}; border: 2px solid {ACCENT}; font-weight: 600;
    min-height: 30px; }}
#bench QPushButton[role="main"]:focus {{ border: 2px solid {INK}; }}
#bench QPushButton[role="main"]:disabled {{ background: {RAISED}; color: #8b94a3; border-color: {RAISED}; }}
#bench QPushButton[role="link"] {{ background: transparent; border: 2px solid transparent; color: {ACCENT}; padding: 2px 4px;
    text-align: left; }}
#bench QPushButton[role="link"]:focus {{ border-color: {ACCENT}; }}
#bench QToolButton:checked, #bench QPushButton:checked {{ background: {ACCENT}; color: {DARK}; border-color: {ACCENT}; }}
#bench QLineEdit, #bench QComboBox, #bench QPlainTextEdit, #bench QDoubleSpinBox {{
    background: {DARK}; color: {INK}; border: 1px solid {LINE}; border-radius: 5px; padding: 3px 7px; min-height: 24px;
    selection-background-color: {ACCENT}; selection-color: {DARK}; }}
#bench QLineEdit[wrong="true"], #bench QPlainTextEdit[wrong="true"], #bench QComboBox[wrong="true"] {{
    border: 2px dashed {ROSE}; }}
#bench QComboBox QAbstractItemView {{ background: {DARK}; color: {INK}; selection-background-color: {ACCENT};
    selection-color: {DARK}; }}
#bench QTableView {{ background: {DARK}; alternate-background-color: #181d25; color: {INK}; border: 1px solid {LINE};
    border-radius: 6px; gridline-color: {CARD}; selection-background-color: {ACCENT}; selection-color: {DARK}; }}
#bench QTableView {{ font-size: 12px; }}
#bench QTableView::item:selected {{ background: {ACCENT}; color: {DARK}; }}
#bench QHeaderView {{ background: {CARD}; }}
#bench QHeaderView::section {{ background: {CARD}; color: {QUIET}; border: 0; padding: 3px 5px; font-size: 12px; }}
#bench QScrollArea {{ border: 0; }}
#bench QProgressBar {{ background: {DARK}; border: 1px solid {LINE}; border-radius: 5px; max-height: 10px; min-height: 10px; }}
#bench QProgressBar::chunk {{ background: {ACCENT}; border-radius: 4px; }}
#bench QCheckBox {{ spacing: 8px; min-height: 28px; border: 2px solid transparent; border-radius: 4px; }}
#bench QCheckBox::indicator {{ width: 18px; height: 18px; border: 2px solid {QUIET}; border-radius: 4px; background: {DARK}; }}
#bench QCheckBox::indicator:checked {{ background: {ACCENT}; border-color: {ACCENT}; }}
#bench QToolTip, QToolTip {{ background: {DARK}; color: {INK}; border: 1px solid {LINE}; padding: 4px; }}
"""


def rgba(colour: str, alpha: float = 1.0) -> tuple[float, float, float, float]:
    """``"#rrggbb"`` as four numbers from 0 to 1."""
    return (*(int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)), alpha)
