"""Long work beside the window: one job at a time, told as it goes on, stopped between stages when it is no longer wanted."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QObject, Signal

from specimeter.errors import SpecimeterError


class Stopped(Exception):
    """The person said that the work is not wanted any more."""


class Work(QObject):
    """Runs `function(progress=..., **)` on a thread of its own; every signal arrives in the window's thread.

    `stage(str)` is told as each stage begins, `part(object)` what is known early; then one of `done(object)`,
    `refused(SpecimeterError)`, `stopped()` and `broken(Exception)`, and `over()`.
    """

    stage = Signal(str)
    part = Signal(object)
    done = Signal(object)
    refused = Signal(object)
    stopped = Signal()
    broken = Signal(object)
    over = Signal()

    def __init__(self, function: Callable[..., Any], *given: Any, **named: Any) -> None:
        super().__init__()
        self._call = (function, given, named)
        self._unwanted = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True, name="specimeter work")

    def also(self, **named: Any) -> None:
        """Hand the function more than it was made with; before `start`."""
        self._call[2].update(named)

    def start(self) -> Work:
        self._thread.start()
        return self

    def stop(self) -> None:
        """Ask it to stop; it does so before its next stage, and what it was at is thrown away."""
        self._unwanted.set()

    def join(self, seconds: float) -> None:
        self._thread.join(seconds)

    def progress(self, stage: str) -> None:
        """Called by the work itself."""
        if self._unwanted.is_set():
            raise Stopped
        self.stage.emit(stage)

    def _run(self) -> None:
        function, given, named = self._call
        try:
            result = function(*given, progress=self.progress, **named)
            if self._unwanted.is_set():
                raise Stopped
        except Stopped:
            self._tell(self.stopped)
        except SpecimeterError as error:
            self._tell(self.refused, error)
        except Exception as error:  # a fault of the tool: told in the window, where it would else be lost with the thread
            self._tell(self.broken, error)
        else:
            self._tell(self.done, result)
        self._tell(self.over)

    def _tell(self, signal: Any, *said: Any) -> None:
        try:
            signal.emit(*said)
        except RuntimeError:  # the window is gone meanwhile, and with it whoever waited
            return
