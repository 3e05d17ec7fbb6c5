"""SciPy loaded without what nobody asks for is SciPy, and NumPy is whole afterwards."""

from __future__ import annotations

import subprocess
import sys

import scipy.linalg.lapack
import scipy.special

from analysis import numerics


def loaded(code: str) -> list[str]:
    """What a fresh interpreter prints, word by word."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_they_are_scipys_own() -> None:
    for name in numerics.__all__:
        there = scipy.special if name[0] in "ns" else scipy.linalg.lapack
        assert getattr(numerics, name) is getattr(there, name)


def test_what_nobody_asks_for_is_not_loaded_and_is_there_when_it_is_asked_for() -> None:
    """Of NumPy 2 and SciPy 1.17; where a later SciPy asks for less or more of it, the rest still holds."""
    told = loaded(
        "import sys, numpy as np\n"
        "from analysis import numerics\n"
        "names = numerics._UNUSED\n"
        "print(sum(f'numpy.{name}' in sys.modules for name in names), sum(name in vars(np) for name in names))\n"
        "copy = sys.modules[numerics._COPY]\n"
        "import numpy.ma, numpy.testing, numpy.polynomial\n"
        "print(all(getattr(copy, name) is getattr(np, name) for name in ('ma', 'testing', 'f2py', 'polynomial')))\n"
        "print(np.ma.masked_array([1.0, 2.0], [True, False]).sum(), np.polynomial.Polynomial([1, 2])(3))\n"
        "print(type(np.ma).__name__, type(np.f2py).__name__, np.f2py is sys.modules['numpy.f2py'])\n"
    )
    assert told == ["0", "0", "True", "2.0", "7.0", "module", "module", "True"]


def test_the_larger_parts_of_scipy_load_afterwards() -> None:
    told = loaded(
        "from analysis.numerics import ndtr\n"
        "import scipy.stats, scipy.signal, scipy.optimize, scipy.interpolate, scipy.ndimage, pandas\n"
        "print(abs(scipy.stats.norm.cdf(1.3) - ndtr(1.3)) < 1e-15, len(scipy.signal.butter(3, 0.2, output='sos')))\n"
    )
    assert told == ["True", "2"]


def test_scipy_loaded_before_is_left_as_it_is() -> None:
    told = loaded(
        "import sys, scipy.special\n"
        "before = set(sys.modules)\n"
        "from analysis.numerics import ndtr\n"
        "print(ndtr is scipy.special.ndtr, all(name in sys.modules for name in before))\n"
    )
    assert told == ["True", "True"]
