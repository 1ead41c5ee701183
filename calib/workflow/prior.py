"""What other sites know, kept in a lab: read from a prior file once, used by every fit until it is taken out."""

from __future__ import annotations

import json
from pathlib import Path

from calib.calibration.priors import Priors, priors_from
from calib.documents.model import PriorInUse
from calib.errors import UsageError
from calib.shop.model import Shop
from calib.store.open_store import open_store
from calib.store.settings import find_setting, save_setting

NAME, NO_PRIOR = "prior", "none"
FORMATS = (1, 2)  # 2 has slopes in size and what a build's runs share


def keep_prior(folder: Path, file: str) -> None:
    """Use the prior file in this lab from now on; 'none': use none any more. Raises UsageError where it is none."""
    text = None if file == NO_PRIOR else _checked(Path(file))
    with open_store(folder) as store:
        save_setting(store, NAME, text)


def _checked(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8")
        document = json.loads(text)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be read: {error.strerror}.", "Name a prior file that calib sites fit wrote."
        ) from None
    except ValueError:
        raise UsageError(
            f"{path} is no prior file: it is no JSON.", "Name a prior file that calib sites fit wrote."
        ) from None
    if not isinstance(document, dict) or document.get("format") not in FORMATS:
        raise UsageError(
            f"{path} is no prior file of a form that this calib knows.", "Name one that calib sites fit wrote."
        )
    priors_from(document, {})
    return text


def kept_priors(folder: Path, shop: Shop) -> tuple[Priors | None, PriorInUse | None]:
    """The priors kept in this lab, and what a document says of them; None where there are none."""
    with open_store(folder, read_only=True) as store:
        text = find_setting(store, NAME)
    if text is None:
        return None, None
    document = json.loads(text)
    kinds = {name: machine.kind for name, machine in shop.machines.items()}
    return priors_from(document, kinds), {"laws": len(document["laws"]), "sites": document.get("sites")}
