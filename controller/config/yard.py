"""The sections for what stands outside: site, dish, mount, actuator."""

from typing import Annotated, Literal

from pydantic import Field

from controller.config.section import Section, Taped, Text, Within

Offset = Annotated[Taped, Within(-2000, 2000)]
Opening = Annotated[Taped, Within(5, 175)]
Arm = Annotated[Taped, Within(50, 5000)]
Rod = Annotated[Taped, Within(100, 10000)]
Stroke = Annotated[Taped, Within(20, 3000)]
Pitch = Annotated[Taped, Within(0.02, 50)]


class Site(Section):
    """Where the dish stands (WGS84)."""

    name: Text = Field(description="What the place is called.")
    latitude_deg: float = Field(gt=-90, lt=90, description="Latitude, degrees, south negative.")
    longitude_deg: float = Field(gt=-180, le=180, description="Longitude, degrees, west negative.")
    height_m: float = Field(
        default=0.0, ge=-500, le=9000, description="Height over the ellipsoid, m."
    )


class Dish(Section):
    """The reflector."""

    name: str = Field(
        pattern=r"^[a-z0-9][a-z0-9_-]{0,31}$",
        description="Short name, also in topics: small letters, digits, - and _.",
    )
    diameter_m: float = Field(gt=0.3, le=30, description="Diameter of the reflector, m.")
    frequency_ghz: float = Field(
        default=4.0, ge=0.1, le=100, description="Frequency received, GHz; sets the beam width."
    )
    surface: Literal["mesh", "solid"] = Field(
        default="mesh", description="What the wind meets: mesh or solid."
    )


class MountSection(Section):
    """The polar mount as set; the sigmas say how crooked it may stand."""

    axis_elevation_deg: float | None = Field(
        default=None,
        ge=0,
        le=90,
        description="Elevation of the polar axis as set, degrees; none: the best for the site.",
    )
    declination_offset_deg: float | None = Field(
        default=None,
        ge=-15,
        le=15,
        description="Declination offset as set, degrees; none: the best for the site.",
    )
    azimuth_sigma_deg: float = Field(
        default=1.0, gt=0, le=20, description="How far off the meridian the axis may be, degrees."
    )
    elevation_sigma_deg: float = Field(
        default=0.4, gt=0, le=10, description="How far off the axis elevation may be, degrees."
    )
    declination_sigma_deg: float = Field(
        default=0.3, gt=0, le=10, description="How far off the declination may be, degrees."
    )


class Actuator(Section):
    """Rod, triangle and pulses, as taped."""

    side: Literal["east", "west"] = Field(
        description="Side of the mount with the fixed end; on east the rod grows toward west."
    )
    dish_arm_mm: Arm = Field(description="Pivot to the pin on the dish, mm.")
    mast_arm_mm: Arm = Field(description="Pivot to the pin on the mast, mm.")
    axial_offset_mm: Offset = Field(
        default=Taped(value=0.0, sigma=20.0),
        description="How far apart the two pins are along the polar axis, mm.",
    )
    opening_at_top_deg: Opening = Field(
        default=Taped(value=90.0, sigma=4.0),
        description="Angle at the pivot between the arms with the dish at its highest, degrees.",
    )
    retracted_mm: Rod = Field(description="Pin to pin with the rod fully in, mm.")
    stroke_mm: Stroke = Field(description="How much longer the rod gets, mm.")
    pulses_per_mm: Pitch = Field(description="Pulses of the sensor for one mm of rod.")
