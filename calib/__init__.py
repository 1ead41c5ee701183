"""calib: how long will these printed parts take, as a range that learns from logged builds.

``calib.Calibrator`` is the model alone, on pandas frames. It is loaded when first asked for, so that
``import calib`` costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.calibration.calibrator import Calibrator

    __version__: str

__all__ = ["Calibrator"]


def __getattr__(name: str) -> Any:
    if name == "Calibrator":
        from calib.calibration.calibrator import Calibrator

        return Calibrator
    if name == "__version__":  # it stands in pyproject.toml alone
        from importlib.metadata import version

        return version("calib")
    raise AttributeError(f"module 'calib' has no attribute {name!r}")
