import numpy as np

from calib.drift.change import change_point


def test_the_nile_changed_after_1898():
    # G. W. Cobb, Biometrika 65 (1978) 243-251: annual flow of the Nile at Aswan, 1871-1970; the accepted change is
    # after 1898, its 28th year. Data as statsmodels ships them.
    import statsmodels.datasets.nile as nile

    flow = nile.load_pandas().data["volume"].to_numpy(float)
    first_after, low, high = change_point((flow - flow.mean()) / 128.0)
    assert first_after == 28
    assert np.isclose(flow[:28].mean(), 1097.75)
    assert low <= 28 <= high
