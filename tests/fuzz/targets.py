"""Every target by its name."""

from __future__ import annotations

from tests.fuzz import asked, can, kept, modbus, sunspec, texts

TARGETS = {
    target.name: target
    for family in (modbus, sunspec, can, texts, asked, kept)
    for target in family.TARGETS
}
