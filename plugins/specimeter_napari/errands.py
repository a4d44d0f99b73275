"""Long work from the window: one at a time, told as it goes on, and what it ended in told where it can be mended."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable
from typing import Any

from specimeter.errors import SpecimeterError
from specimeter_napari.frame import Frame
from specimeter_napari.steps import home_of, sentence
from specimeter_napari.work import Work


class Errands(Frame):
    """The frame with one piece of work at most behind it; the bench is the rest."""

    work: Work | None = None

    def __init__(self) -> None:
        super().__init__()
        self._running: set[Work] = set()  # all that have not ended, wanted or not

    def start(
        self,
        stage: str,
        function: Callable,
        *given: Any,
        then: Callable[[Any], None],
        partly: Callable | None = None,
        **named: Any,
    ) -> None:
        """One long work at a time; its result is handed to `then` in the window's thread, an early part of it to `partly`."""
        self.stop_work()
        work = Work(function, *given, **named)
        if partly is not None:
            work.also(placed_is=work.part.emit)
            work.part.connect(lambda part: self.work is work and partly(part))
        self.work = work
        work.stage.connect(lambda told: self._staged(work, told))
        work.done.connect(lambda result: self.work is work and self._done(work, then, result))
        work.refused.connect(lambda error: self.work is work and self._refused(error))
        work.broken.connect(lambda error: self.work is work and self._broken(error))
        work.stopped.connect(lambda: self.work is work and self._over("Stopped. Nothing was changed."))
        work.over.connect(lambda: self._ended(work))
        self._running.add(work)
        self.wrong.say("")
        self.stage.setText(f"{stage} …")
        work.start()
        self.refresh()

    def stop_work(self) -> None:
        if self.work is not None:
            self.work.stop()
            self.work = None
            self.refresh()

    def _ended(self, work: Work) -> None:
        """Only now may it go, and here: taken away by its own thread, with words from it under way, it ends the process."""
        work.join(10.0)
        self._running.discard(work)
        work.deleteLater()

    def _staged(self, work: Work, told: str) -> None:
        if work is self.work:
            self.stage.setText(f"{told} …")

    def _done(self, work: Work, then: Callable, result: Any) -> None:
        self.work = None
        then(result)
        self.refresh()

    def _refused(self, error: SpecimeterError) -> None:
        self.work = None
        home = home_of(error)
        if self.session is None:
            self.wrong.say(sentence(error))
        else:
            self.session.trouble[home] = error
            self.go(home)
        self.refresh()

    def _broken(self, error: Exception) -> None:
        traceback.print_exception(error, file=sys.stderr)
        self._over(f"A fault of the tool, not of your input ({type(error).__name__}: {error}). What you did is kept.")

    def _over(self, words: str) -> None:
        self.work = None
        self.wrong.say(words)
        self.refresh()
