"""Tables of the joint file that commands write: gains, calibration, what was identified."""

from typing import Annotated, Any

from pydantic import Field as Declared
from pydantic import create_model, model_validator

from controller.joint.settings.settings import CORRECTION_POINTS, Gains, Profile
from controller.records import Field, fields
from sim.joint.quantities import Angle
from sim.schema import Quantity, Table

PROFILE_KEYS = ("speed_rad_s", "acceleration_rad_s2", "jerk_rad_s3")


def priceless(table: Any) -> Any:
    """A table without what changes no motion: cost and mass of a part that is bought."""
    if not isinstance(table, dict):
        return table
    return {key: value for key, value in table.items() if key not in ("cost", "mass")}


class Written(Table):
    """A table that a command wrote: what it belongs to, and where it comes from."""

    digest: str | None = None
    provenance: dict[str, Any] | None = None


def _number(field: Field) -> Any:
    example = f"{field.default} {field.unit}".removesuffix(" 1")
    return (Annotated[float, Quantity(field.unit, example, field.low, field.high)] | None, None)


GAIN_FIELDS = {
    **{name: _number(field) for name, field in fields(Gains)},
    **{
        f"profile_{name}": _number(field) for name, field in fields(Profile) if name in PROFILE_KEYS
    },
}
GainsTable = create_model(
    "GainsTable",
    __base__=Written,
    __doc__="Gains and profile, as the controller has them.",
    **GAIN_FIELDS,
)

Counts = Annotated[float, Quantity("count", "4800 count", -4e6, 4e6)]


class CalibrationTable(Table):
    """What was measured of sensor, pulse drive and force."""

    zero: Counts | None = None
    slope: Annotated[float, Quantity("rad/count", "0.0004 rad/count", -0.5, 0.5)] | None = None
    noise: Annotated[float, Quantity("count", "4 count", 0.0, 1e5)] | None = None
    points: list[tuple[Angle, Counts]] = Declared([], max_length=CORRECTION_POINTS)
    pulse_neutral: Annotated[float, Quantity("s", "1.5 ms", 5e-4, 2.5e-3)] | None = None
    pulse_dead: Annotated[float, Quantity("s", "4 us", 0.0, 2e-4)] | None = None
    force_factor: Annotated[float, Quantity("1", "1.1", 0.2, 5.0)] | None = None
    resistance_25: Annotated[float, Quantity("ohm", "6.3 ohm", 1e-3, 1e4)] | None = None
    provenance: dict[str, Any] | None = None
    method: Any = None

    @model_validator(mode="after")
    def _whole(self) -> "CalibrationTable":
        if (self.zero is None) != (self.slope is None):
            raise ValueError("zero and slope belong together")
        if self.slope == 0.0:
            raise ValueError("slope must not be zero")
        return self


class IdentifiedTable(Written):
    """What was identified of this very joint (``identified.py`` says what the numbers are)."""

    names: list[str]
    middle: list[float]
    covariance: list[list[float]]
