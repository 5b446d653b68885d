"""The one check that a number is within what a formula was made for."""


def within(name: str, value: float, low: float, high: float) -> float:
    """Return the value.

    Raises:
        ValueError: it is not from `low` to `high`; NaN never is.
    """
    if low <= value <= high:
        return value
    msg = f"{name} = {value:g}: expected {low:g} to {high:g}"
    raise ValueError(msg)


def above(name: str, value: float, low: float, high: float) -> float:
    """Return the value.

    Raises:
        ValueError: it is not above `low` and at most `high`; NaN never is.
    """
    if low < value <= high:
        return value
    msg = f"{name} = {value:g}: expected above {low:g} and at most {high:g}"
    raise ValueError(msg)
