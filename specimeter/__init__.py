"""specimeter: opened weld test specimens, from photograph to finding."""

__version__ = "0.1.0"
