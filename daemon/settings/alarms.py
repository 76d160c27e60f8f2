"""The parts of the settings file that shape alarms: rules for all, shared supplies, planned stage moves."""

from typing import Annotated

from pydantic import AwareDatetime, Field

from daemon.settings.stages import NumberOrOff
from daemon.tables.types import Label, Name, Number, Table
from rules.alarms.alarm import AlarmRules
from rules.alarms.life_cycle import Condition
from rules.care.rationale import Severity
from rules.quantities import Quantity
from rules.rack.stage_plan import StageStep

MS_PER_HOUR = 3_600_000

_HoursOrNever = NumberOrOff[Annotated[Number, Field(gt=0, le=24 * 366)]]


class AlarmSettings(Table):
    """What holds for all alarms of the rack."""

    shelve_at_most_h: Annotated[Number, Field(gt=0, le=72)] = Field(
        8.0, description="The longest that an alarm may be shelved [h]"
    )
    shelve_critical_at_most_h: Annotated[Number, Field(gt=0, le=72)] = Field(
        1.0, description="The longest that a critical alarm may be shelved [h]"
    )
    announce_again_after_h: _HoursOrNever = Field(
        2.0, description='A critical alarm acknowledged this long ago is announced again [h]; "none": never'
    )
    latching: tuple[Condition, ...] = Field(
        (), description="Conditions whose alarms stay until somebody resets them"
    )

    def rules(self) -> AlarmRules:
        """Return the same for the rules."""
        again = self.announce_again_after_h
        return AlarmRules(
            shelf_limit_ms=round(self.shelve_at_most_h * MS_PER_HOUR),
            critical_shelf_limit_ms=round(self.shelve_critical_at_most_h * MS_PER_HOUR),
            reannounce_ms=None if isinstance(again, str) else round(again * MS_PER_HOUR),
            latching=self.latching,
        )


class RecordSettings(Table):
    """Why an alarm exists: what differs from the built-in record of it."""

    severity: Severity | None = Field(None, description="What is at stake: loss, strain, or probe alone")
    respond_min: Annotated[Number, Field(gt=0)] | None = Field(
        None, description="How long there is to act before the consequence [min]"
    )
    consequence: Label | None = Field(None, description="What happens if nobody acts")
    cause: Label | None = Field(None, description="What it usually comes from")
    check: Label | None = Field(None, description="What to look at first")
    action: Label | None = Field(None, description="What to do about it")
    may_shelve: Label | None = Field(None, description="Who may keep it from people for a while")


class SupplySettings(Table):
    """What several vessels share, such as a chiller loop or an air supply."""

    quantity: Quantity = Field(
        description="What it keeps right: temperature of a chiller loop, oxygen of air"
    )
    vessels: Annotated[tuple[Name, ...], Field(min_length=2)] = Field(description="The vessels that share it")


class StageStepSettings(Table):
    """A planned move of a vessel to another stage."""

    start: AwareDatetime = Field(description="When it begins, with UTC offset: 2026-09-01T08:00:00+02:00")
    stage: Name = Field(description="The stage that the vessel moves to")
    over_h: Annotated[Number, Field(ge=0, le=24 * 366)] = Field(
        0.0, description="Over how long the limits move from the old stage's to the new one's [h]"
    )

    def step(self) -> StageStep:
        """Return the same for the rules."""
        return StageStep(round(self.start.timestamp() * 1000), self.stage, round(self.over_h * MS_PER_HOUR))
