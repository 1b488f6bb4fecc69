"""4-20 mA loops: the bands of NAMUR NE 43."""

from hilseq.analysis.sensors import FAILURE_HIGH, FAILURE_LOW, MEASURING_HIGH, MEASURING_LOW


def test_namur_bands() -> None:
    """Measuring 3.8..20.5 mA, failure up to 3.6 and from 21 mA (check 3.11, secondary sources on NE 43)."""
    assert (FAILURE_LOW, MEASURING_LOW, MEASURING_HIGH, FAILURE_HIGH) == (3.6e-3, 3.8e-3, 20.5e-3, 21e-3)
