"""calib: how long will these printed parts take, as a range that learns from logged builds.

``calib.Calibrator`` is the model alone, on pandas frames. It is loaded when first asked for, so that
``import calib`` costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.calibration.calibrator import Calibrator

__all__ = ["Calibrator"]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name == "Calibrator":
        from calib.calibration.calibrator import Calibrator

        return Calibrator
    raise AttributeError(f"module 'calib' has no attribute {name!r}")
