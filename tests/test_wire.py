from tocsin.core.events import AlarmFact
from tocsin.core.rules import Measure, Priority
from tocsin.wire import fact_json


def test_an_alarm_is_told_in_the_units_people_read() -> None:
    fact = AlarmFact(
        at_ms=0,
        alarm="low-cell",
        subject="right/11",
        priority=Priority.HIGH,
        state="unacknowledged",
        was="normal",
        value=2_953,
        unit=Measure.LOWEST_CELL.unit,
        message="",
    )
    told = fact_json(fact)
    assert (told["value"], told["unit"]) == (2.953, "V")
