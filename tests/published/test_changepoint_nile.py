import numpy as np

from calib.drift.change import find_change


def test_the_nile_changed_after_1898():
    # G. W. Cobb, Biometrika 65 (1978) 243-251: annual flow of the Nile at Aswan, 1871-1970; the accepted change is
    # after 1898, its 28th year. Data as statsmodels ships them.
    import statsmodels.datasets.nile as nile

    flow = nile.load_pandas().data["volume"].to_numpy(float)
    found = find_change(flow, np.full(100, 128.0), np.arange(100.0))
    assert (found.run, found.shape) == (28, "step")
    assert np.isclose(flow[:28].mean(), 1097.75)
    assert found.low <= 28 <= found.high
    # Cobb's means before and after are 1097.75 and 849.97
    assert found.size_low < 849.97 - 1097.75 < found.size_high
