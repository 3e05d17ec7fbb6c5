"""What SciPy does in every comparison: the normal law, Student's t and LAPACK's roots; loaded for a third less.

    from analysis.numerics import ndtr, stdtrit

SciPy copies every name of NumPy as it is loaded, and with them loads NumPy's testing, the front end of its Fortran
compiler and more: 0.08 s of processor time. They are put in place to be loaded when somebody uses them
(`importlib.util.LazyLoader`); those that nobody did are taken away again, and are loaded as ever where they are asked
for later.
"""

from __future__ import annotations

import contextlib
import importlib.util
import sys
from collections.abc import Iterator
from types import ModuleType

import numpy as np

__all__ = ["dpotrf", "dpotri", "dtrtri", "dtrtrs", "ndtr", "ndtri", "stdtr", "stdtrit"]

_UNUSED = ("char", "core", "ctypeslib", "f2py", "ma", "matlib", "polynomial", "rec", "strings", "testing")
_COPY = "scipy._lib.array_api_compat.numpy"
"""SciPy's copy of NumPy's names."""


@contextlib.contextmanager
def _loaded_when_used() -> Iterator[None]:
    put: dict[str, ModuleType] = {}
    for name in () if _COPY in sys.modules else _UNUSED:
        spec = None if f"numpy.{name}" in sys.modules else importlib.util.find_spec(f"numpy.{name}")
        if spec is not None and spec.loader is not None:
            spec.loader = importlib.util.LazyLoader(spec.loader)
            module = put[name] = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
            setattr(np, name, module)
    try:
        yield
    finally:
        copy = vars(sys.modules.get(_COPY, ModuleType("none")))
        for name, module in put.items():
            if type(module) is not ModuleType:  # nobody asked for anything in it
                del sys.modules[f"numpy.{name}"]
                delattr(np, name)
                copy.pop(name, None)
        if put:
            copy.setdefault("__getattr__", lambda name: getattr(np, name))


with _loaded_when_used():
    from scipy.linalg.lapack import dpotrf, dpotri, dtrtri, dtrtrs
    from scipy.special import ndtr, ndtri, stdtr, stdtrit
