"""The settings of a job: ``job.toml`` with the carver's own notes, checked on reading."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Table

from tracker.comparison.mass import STONES, Density, check_density, density_of
from tracker.comparison.states import Bands
from tracker.errors import InputError, JobError
from tracker.records.entries import LARGEST_TARGET

SCHEMA = 1
GIVEN_DENSITY_U95 = 0.01
"""U95 of a density that is given by hand, as a share of it."""

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class DensitySettings(_Section):
    """Bulk density of the stone with one standard uncertainty."""

    kg_per_m3: Positive
    u_kg_per_m3: Positive


class BandSettings(_Section):
    """Limits between the states, mm of stone left."""

    over_cut_below_mm: Finite = -0.5
    finished_up_to_mm: Finite = 0.5
    close_up_to_mm: Finite = 6.0
    light_tools_below_mm: Finite = 2.0


class MeasuringSettings(_Section):
    """What the measurement assumes."""

    allowance_mm: Positive = 50.0
    model_tolerance_mm: Positive = 0.05
    reach_mm: Positive = 25.0
    spacing_mm: Annotated[float, Field(ge=0.5, le=20.0)] = 2.0
    frame_corner_u95_mm: Positive = 0.1
    bar_u95_mm: Positive = 0.1


Weekday = Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
WEEK: tuple[Weekday, ...] = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


class ProgressSettings(_Section):
    """How the days are counted."""

    working_days: Annotated[tuple[Weekday, ...], Field(min_length=1)] = WEEK[:5]

    def weekmask(self) -> tuple[bool, ...]:
        """Whether each day from Monday to Sunday is a working day."""
        return tuple(day in self.working_days for day in WEEK)


class RescueSettings(_Section):
    """How far the figure may be set elsewhere in the block, and what every place must keep."""

    least_left_mm: Annotated[float, Field(ge=-10.0, le=50.0)] | None = None
    most_shift_mm: Annotated[float, Field(gt=0.0, le=100.0)] = 15.0
    most_turn_deg: Annotated[float, Field(ge=0.0, le=15.0)] = 3.0


class ReportSettings(_Section):
    """What the client's document and the carver's sheet look like."""

    language: Annotated[str, Field(pattern=r"^[A-Za-z]{2,3}([_-][A-Za-z]{2,4})?$")] = "en"
    paper: Literal["A4", "Letter"] = "A4"
    client: str = ""
    workshop: str = ""
    logo: str = ""
    colour: Annotated[str, Field(pattern=r"^#[0-9A-Fa-f]{6}$")] = "#2f4b66"
    photographs: tuple[str, ...] = ()


class TargetSettings(_Section):
    """Targets with a role of their own."""

    lasting: tuple[Annotated[int, Field(ge=0, le=LARGEST_TARGET)], ...] = ()


class Settings(_Section):
    """All of ``job.toml``."""

    schema_: Literal[1] = Field(default=1, alias="schema")
    name: Annotated[str, Field(min_length=1)]
    stone: str = "marble"
    density: DensitySettings
    bands: BandSettings = BandSettings()
    measuring: MeasuringSettings = MeasuringSettings()
    targets: TargetSettings = TargetSettings()
    progress: ProgressSettings = ProgressSettings()
    rescue: RescueSettings = RescueSettings()
    report: ReportSettings = ReportSettings()

    @model_validator(mode="after")
    def _possible(self) -> Settings:
        check_density(stone_kind(self.stone), self.density.kg_per_m3)
        self.state_bands()
        return self

    def state_bands(self) -> Bands:
        """The bands as the comparison takes them."""
        return Bands(
            overcut_below_mm=self.bands.over_cut_below_mm,
            finished_below_mm=self.bands.finished_up_to_mm,
            close_below_mm=self.bands.close_up_to_mm,
            light_tools_below_mm=self.bands.light_tools_below_mm,
        )

    def document(self) -> dict[str, Any]:
        """The settings as plain tables, as in ``job.toml``, for a stage's record."""
        return self.model_dump(by_alias=True, mode="json")

    def stone_density(self) -> Density:
        """The density as the comparison takes it."""
        return Density(self.density.kg_per_m3, self.density.u_kg_per_m3)


def parse_settings(text: str, source: str) -> Settings:
    """Settings from the text of ``job.toml``.

    Raises
    ------
    JobError
        Not TOML, or a setting missing, unknown or impossible (named).
    """
    try:
        document = tomlkit.parse(text).unwrap()
    except TOMLKitError as error:
        raise JobError(
            f"{source} cannot be read: {error}.", "Correct that line; text stands in quotes."
        ) from error
    schema = document.get("schema", SCHEMA)
    if isinstance(schema, int) and schema > SCHEMA:
        raise JobError(
            f"{source} was written by a newer version (schema {schema}, known here: {SCHEMA}).",
            "Install the newer version of stoneleft.",
        )
    try:
        return Settings.model_validate(document)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "its settings"
        raise JobError(f"{source}: {place}: {first['msg']}.", "Correct that setting.") from error
    except InputError as error:
        raise JobError(f"{source}: {error.message}", error.hint) from error


def stone_kind(stone: str) -> str:
    """The kind of stone within a stone's name: marble for Carrara marble; else the name."""
    words = stone.casefold()
    return next((kind for kind in STONES if kind in words), stone)


def settings_text(
    name: str,
    stone: str,
    density_kg_per_m3: float | None,
    bands: BandSettings | None,
    allowance_mm: float,
) -> str:
    """Text of a new ``job.toml`` with notes that explain each setting.

    Raises
    ------
    InputError
        A stone whose density has to be given, or a density that the stone cannot have.
    """
    kind = stone_kind(stone)
    if density_kg_per_m3 is None:
        density = density_of(kind)
    else:
        check_density(kind, density_kg_per_m3)
        density = Density(density_kg_per_m3, 0.5 * GIVEN_DENSITY_U95 * density_kg_per_m3)
    document = tomlkit.parse(_TEMPLATE)
    document["name"] = name
    document["stone"] = stone
    _set(document, "density", "kg_per_m3", density.kg_m3)
    _set(document, "density", "u_kg_per_m3", density.sigma_kg_m3)
    for key, value in (bands or BandSettings()).model_dump().items():
        _set(document, "bands", key, value)
    _set(document, "measuring", "allowance_mm", allowance_mm)
    return tomlkit.dumps(document)


def _set(document: tomlkit.TOMLDocument, section: str, key: str, value: float) -> None:
    table = document[section]
    assert isinstance(table, Table)
    table[key] = float(value)


_TEMPLATE = """\
# Settings of this job. Lines after # are notes; add your own, they are kept.
schema = 1
name = ""
stone = ""

[density]
# For weights, which are estimates: kilograms per cubic metre, and how unsure that is
# (one standard uncertainty).
kg_per_m3 = 0.0
u_kg_per_m3 = 0.0

[bands]
# Stone left, in millimetres along the needle, at which a place changes its state.
over_cut_below_mm = -0.5
finished_up_to_mm = 0.5
close_up_to_mm = 6.0
# Below this depth the list says light tools only: a heavy blow bruises what lies underneath.
light_tools_below_mm = 2.0

[measuring]
# How far the stone may stand out from the model, at the most.
allowance_mm = 50.0
# How true the model itself is (casting, scanning): limits, plus or minus.
model_tolerance_mm = 0.05
# Beyond this depth along the needle the figure is "at least".
reach_mm = 25.0
# Distance between the places of the heat map.
spacing_mm = 2.0
# How well the frame targets' corners and the scale bars are known where their tables do not say
# (U95: true within this in 95 of 100 cases).
frame_corner_u95_mm = 0.1
bar_u95_mm = 0.1

[targets]
# Numbers of targets on faces of the block that will last; once measured they stand in for the
# frame on days when it is off.
lasting = []

[progress]
# Days on which you work; the rates and the forecast count these.
working_days = ["Mon", "Tue", "Wed", "Thu", "Fri"]

[rescue]
# When stone is over-cut: what every place must keep if the figure is set elsewhere in the block,
# in millimetres (left out, the limit of over-cut), and how far the figure may go.
# least_left_mm = 0.0
most_shift_mm = 15.0
most_turn_deg = 3.0

[report]
# For the client's document and tomorrow's sheet. Language: en or de. Paper: A4 or Letter.
language = "en"
paper = "A4"
client = ""
workshop = ""
# A PNG or JPEG beside this file, and the colour of titles and lines.
logo = ""
colour = "#2f4b66"
# Pictures for the document: names of a stage's photographs, or files beside this one; none
# given, the program chooses.
photographs = []
"""
