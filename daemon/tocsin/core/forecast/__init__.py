"""Minutes until a cut-off: what each pack has shown, carried forward. Pure.

Inside this package numbers are floats in volts, amperes, ampere-hours, degrees
Celsius and seconds; what leaves it are `Forecast` objects in whole milliseconds.
A constant without a source beside it was chosen on made traces (`tests/forecast`); no
published source.
"""

from tocsin.core.forecast.result import FAR_MS, Forecast, Limit

__all__ = ["FAR_MS", "Forecast", "Limit"]
