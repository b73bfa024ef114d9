"""The recipe: everything decided about a shot, every parameter declared once.

Values are scene-linear in the working space unless a help text says otherwise. Radii are in
source pixels. Formulas and their sources stand with the operations in `kernels.reference`.
"""

from __future__ import annotations

import secrets
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from kernels.parameters import RGB, Finite, Model, Number, check_ranges, choice, number, resolve

VERSION = 2
FORMAT = "verdigris-recipe"

Primary = Literal["red", "green", "blue"]
CombineName = Literal["max", "min", "union", "multiply", "subtract", "difference", "average"]
KeyFrom = Literal["plate", "denoised"]


def new_id() -> str:
    """Return a short random id, stable for the life of a list item."""
    return secrets.token_hex(4)


Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,32}$", description="stable id of this item")]
Name = Annotated[str, Field(min_length=1, max_length=60, description="name shown to people")]


# ---------------------------------------------------------------- shapes


class ShapePose(Model):
    """The points of a shape at one frame."""

    frame: int
    points: Annotated[list[tuple[Finite, Finite]], Field(min_length=2, max_length=400)]


class Shape(Model):
    """An area drawn over the picture, in full-resolution pixels, moved by keys.

    polygon: corners; curve: a smooth closed curve through the points; rectangle and ellipse: two
    opposite corners of the (bounding) box.
    """

    id: Id = Field(default_factory=new_id)
    name: Name = "shape"
    on: bool = choice(True, "the shape counts")
    kind: Literal["polygon", "curve", "rectangle", "ellipse"] = choice("polygon", "form")
    poses: Annotated[list[ShapePose], Field(min_length=1)]
    feather_px: Number = number(
        0.0, "width of the soft border", low=0, high=400, drag=(0, 100), step=0.5, unit="px"
    )
    inverted: bool = choice(False, "the area outside the shape counts instead")


# ---------------------------------------------------------------- refine


class Despeckle(Model):
    """Fill small holes and remove small specks, by size; edges and hair stay as they are."""

    holes_px: Number = number(
        0.0,
        "holes in the matte up to this width are filled",
        low=0,
        high=24,
        drag=(0, 8),
        step=0.5,
        unit="px",
    )
    specks_px: Number = number(
        0.0,
        "specks in the clear area up to this width are removed",
        low=0,
        high=24,
        drag=(0, 8),
        step=0.5,
        unit="px",
    )


class Guide(Model):
    """Let the matte follow the picture's edges (guided filter, the log plate as guide)."""

    radius_px: Number = number(
        0.0,
        "window radius; 0 leaves the matte as it is",
        low=0,
        high=64,
        drag=(0, 32),
        step=1,
        unit="px",
    )
    smoothness: Number = number(
        0.001,
        "how weak an edge of the picture the matte follows; larger smooths across more of them",
        low=1e-7,
        high=1,
        drag=(1e-5, 0.1),
        step=1e-5,
    )


class Levels(Model):
    """Make what is nearly clear clear, and what is nearly solid solid."""

    clear_below: Number = number(
        0.0, "matte values up to this become clear", low=-1, high=2, drag=(0, 1)
    )
    solid_above: Number = number(
        1.0, "matte values from this up become solid", low=-1, high=2, drag=(0, 1)
    )


class ProtectEdges(Model):
    """Give soft edges the matte from before the levels back: hair, motion blur, focus."""

    distance_px: Number = number(
        0.0,
        "how far from a soft edge the levels are undone; 0 protects nothing",
        low=0,
        high=64,
        drag=(0, 32),
        step=0.5,
        unit="px",
    )
    amount: Number = number(
        1.0, "how much of the matte from before the levels comes back there", low=0, high=1
    )


class Refine(Model):
    """Refinements of one matte, in this order."""

    despeckle: Despeckle = Field(default_factory=Despeckle)
    guide: Guide = Field(default_factory=Guide)
    levels: Levels = Field(default_factory=Levels)
    protect_edges: ProtectEdges = Field(default_factory=ProtectEdges)
    choke_px: Number = number(
        0.0,
        "positive draws the edge in (choke), negative lets it out (spread)",
        low=-32,
        high=32,
        drag=(-8, 8),
        step=0.1,
        unit="px",
    )
    soften_px: Number = number(
        0.0,
        "standard deviation of the final blur",
        low=0,
        high=64,
        drag=(0, 16),
        step=0.1,
        unit="px",
    )


# ---------------------------------------------------------------- extractors


class ExtractorBase(Model):
    """What all extractors have in common."""

    id: Id = Field(default_factory=new_id)
    name: Name = "extractor"
    on: bool = choice(True, "the extractor takes part")
    role: Literal["core", "edge"] = choice(
        "core",
        "what it is for; sets only the combine when that is left to it: core max, edge union",
    )
    combine: CombineName | None = choice(
        None, "how it joins the mattes before it; empty leaves that to the role"
    )
    strength: Number = number(1.0, "how much of that is applied", low=0, high=1)
    inverted: bool = choice(False, "1 minus the matte is used")
    key_from: KeyFrom = choice(
        "denoised", "the pass it looks at; the plate where there is no denoised one"
    )
    shapes: list[Shape] = choice([], "works only inside these shapes; everywhere if there are none")
    refine: Refine = Field(default_factory=Refine)

    @property
    def combined_by(self) -> CombineName:
        """The combine in force."""
        return self.combine or ("max" if self.role == "core" else "union")


class ValueBand(ExtractorBase):
    """Takes a range of values of one channel, with soft ends."""

    kind: Literal["value_band"] = "value_band"
    space: Literal["linear", "log"] = choice("linear", "values are linear or ACEScct")
    channel: Literal["red", "green", "blue", "luminance", "largest", "smallest", "saturation"] = (
        choice("luminance", "the value that is banded")
    )
    low_out: Number | None = number(
        0.0, "below this nothing is taken; empty leaves the end open", drag=(-0.1, 2), step=0.001
    )
    low_in: Number | None = number(0.1, "from here everything is taken", drag=(-0.1, 2), step=0.001)
    high_in: Number | None = number(
        None,
        "up to here everything is taken; empty leaves the end open",
        drag=(-0.1, 4),
        step=0.001,
    )
    high_out: Number | None = number(
        None,
        "above this nothing is taken",
        drag=(-0.1, 4),
        step=0.001,
    )

    @model_validator(mode="after")
    def _ordered(self) -> ValueBand:
        ends = [self.low_out, self.low_in, self.high_in, self.high_out]
        plain = [end for end in ends if isinstance(end, int | float)]
        if plain != sorted(plain):
            raise ValueError(
                "the ends of a value band must be in order: "
                "low_out <= low_in <= high_in <= high_out"
            )
        if (self.low_out is None) != (self.low_in is None):
            raise ValueError("low_out and low_in are both given or both empty")
        if (self.high_in is None) != (self.high_out is None):
            raise ValueError("high_in and high_out are both given or both empty")
        return self


class HueBand(ExtractorBase):
    """Takes the colours around one hue."""

    kind: Literal["hue_band"] = "hue_band"
    space: Literal["linear", "log"] = choice("linear", "hue of linear or of ACEScct values")
    hue_deg: Number = number(
        0.0,
        "the hue: 0 red, 120 green, 240 blue",
        low=-360,
        high=360,
        drag=(0, 360),
        step=1,
        unit="deg",
    )
    spread_deg: Number = number(
        30.0,
        "how far to either side of it hues are fully taken",
        low=0,
        high=180,
        step=1,
        unit="deg",
    )
    fade_deg: Number = number(
        20.0, "over how many degrees beyond that it fades out", low=0, high=180, step=1, unit="deg"
    )
    saturation_floor: Number = number(
        0.05, "saturation under which nothing is taken", low=0, high=1
    )
    saturation_soft: Number = number(0.05, "width of the roll-off above that", low=0, high=1)


class PlateDifference(ExtractorBase):
    """Takes what differs from the clean plate."""

    kind: Literal["plate_difference"] = "plate_difference"
    space: Literal["linear", "log"] = choice("linear", "differences of linear or of ACEScct values")
    norm: Literal["largest", "euclidean", "delta_e_2000"] = choice(
        "euclidean", "how the difference of three channels becomes one number"
    )
    relative: bool = choice(False, "differences in parts of the screen's own value")
    floor_in: Literal["value", "sigma"] = choice(
        "value", "floor and full are values, or multiples of the measured noise"
    )
    floor: Number = number(
        0.05,
        "differences up to this are screen; raising it removes matte",
        low=0,
        drag=(0, 1),
        step=0.001,
    )
    full: Number = number(
        0.25, "differences from this up are solid", low=0, drag=(0, 2), step=0.001
    )


class ColourDifference(ExtractorBase):
    """How much of the screen's colour excess is left, against the clean plate."""

    kind: Literal["colour_difference"] = "colour_difference"
    space: Literal["linear", "log"] = choice("linear", "linear or ACEScct values")
    excess: Literal["lean", "balance"] = choice(
        "lean",
        "what the primary is compared with: a lean between the smaller and larger other channel, "
        "or a balanced mix of both",
    )
    lean: Number = number(
        1.0, "0 compares with the smaller of the other two, 1 with the larger", low=0, high=1
    )
    comparison_level: Number = number(
        1.0,
        "how much of the mix the primary is held against; raising it makes the subject more solid",
        low=0,
        high=4,
        drag=(0.5, 1.5),
        step=0.005,
    )
    red_blue_balance: Number = number(
        0.0,
        "0 mixes the other two channels equally; 1 takes the first alone (red; green on a red "
        "screen), -1 the second (blue; green on a blue screen)",
        low=-1,
        high=1,
    )
    gain: Number = number(
        1.0,
        "larger values clear more of the screen and eat into the edge",
        low=0,
        high=4,
        drag=(0.5, 2),
    )


class ChromaDistance(ExtractorBase):
    """How far a colour is from the screen's, brightness aside: the fast first look."""

    kind: Literal["chroma_distance"] = "chroma_distance"
    space: Literal["linear", "log"] = choice("log", "linear or ACEScct values")
    inner: Number = number(
        0.04, "chroma distances up to this are screen", low=0, drag=(0, 0.5), step=0.001
    )
    outer: Number = number(
        0.16, "chroma distances from this up are solid", low=0, drag=(0, 1), step=0.001
    )
    luminance_weight: Number = number(
        0.0, "how much a difference in brightness counts too", low=0, high=4, drag=(0, 1)
    )


class Unmix(ExtractorBase):
    """Takes apart what is mixed in each pixel: coverage, the subject's own colour, their error."""

    kind: Literal["unmix"] = "unmix"
    reach_px: Number = number(
        64.0,
        "how far colours of the subject are carried to its edges, in pixels of the picture brought "
        "down to 320 to 640 across",
        low=4,
        high=128,
        step=1,
        unit="px",
    )
    shading: Number = number(
        0.3,
        "how far the subject's light may differ from place to place, in parts of it",
        low=0,
        high=1,
    )
    solidity: Number = number(
        0.0,
        "see-through needs more evidence above 0, less below",
        low=-4,
        high=4,
        step=0.05,
    )
    noise_trust: Number = number(
        1.0,
        "how noisy the picture is, in parts of the measured noise's variance",
        low=0.25,
        high=4,
        step=0.05,
    )
    clean_error: Number = number(
        0.006,
        "how far the clean plate may be off, in parts of its value",
        low=0,
        high=0.05,
        step=0.001,
    )
    screen_level: Number = number(
        1.0,
        "how bright the screen is in this frame, in parts of the clean plate",
        low=0.25,
        high=4,
        drag=(0.5, 2),
        step=0.005,
    )
    see_through_colour: RGB | None = choice(
        None, "the colour of smoke, steam or glass, scene-linear; empty finds it"
    )


def weights_of(level: float, balance: float) -> tuple[float, float]:
    """Return the weights of the first and second other channel: level (1 +- balance) / 2."""
    return level * (1.0 + balance) / 2.0, level * (1.0 - balance) / 2.0


def level_and_balance(first: float, second: float) -> tuple[float, float]:
    """Return the comparison level and balance of two weights, none below 0: see `weights_of`.

    The way back gives the weights to 2e-16 of the level; weights of 0 have balance 0.
    """
    level = first + second
    return level, (first - second) / level if level else 0.0


Extractor = Annotated[
    ValueBand | HueBand | PlateDifference | ColourDifference | ChromaDistance | Unmix,
    Field(discriminator="kind"),
]
EXTRACTORS: dict[str, type[ExtractorBase]] = {
    "value_band": ValueBand,
    "hue_band": HueBand,
    "plate_difference": PlateDifference,
    "colour_difference": ColourDifference,
    "chroma_distance": ChromaDistance,
    "unmix": Unmix,
}


# ---------------------------------------------------------------- despill


class CurvePoint(Model):
    """One point of a curve over hue."""

    hue_deg: Annotated[Finite, Field(ge=0, lt=360, description="hue")]
    value: Annotated[Finite, Field(ge=0, le=2, description="factor at that hue")]


class HueCurve(Model):
    """A smooth periodic factor over hue; no points means 1 everywhere."""

    points: Annotated[list[CurvePoint], Field(max_length=24)] = choice(
        [], "points of the curve, in hue order"
    )

    @model_validator(mode="after")
    def _ordered(self) -> HueCurve:
        hues = [point.hue_deg for point in self.points]
        if hues != sorted(set(hues)):
            raise ValueError("the points of a hue curve must have rising, different hues")
        return self


class DespillPass(Model):
    """One pass of taking the screen's light out of the subject."""

    id: Id = Field(default_factory=new_id)
    name: Name = "despill"
    on: bool = choice(True, "the pass takes part")
    limit: Literal["average", "larger", "smaller", "weighted"] = choice(
        "average", "what the screen's primary is held to, of the other two channels"
    )
    weight: Number = number(
        0.5,
        "of a weighted limit: 1 takes the first other channel (red; green on a red screen), 0 the "
        "second",
        low=0,
        high=1,
    )
    amount: Number = number(1.0, "how much of the spill is taken out", low=0, high=1)
    spill_by_hue: HueCurve = choice(
        HueCurve(), "how much of it is taken out, by hue (no more than all)"
    )
    fill: Literal["none", "grey", "background"] = choice(
        "grey",
        "what replaces the spill: nothing, grey of equal luminance, the background's colour",
    )
    fill_amount: Number = number(1.0, "how much of the fill is added", low=0, high=1)
    fill_blur_px: Number = number(
        48.0, "blur of the background used as fill", low=0, high=80, step=1, unit="px"
    )
    saturation_by_hue: HueCurve = choice(HueCurve(), "saturation by hue, luminance kept")
    shapes: list[Shape] = choice([], "works only inside these shapes; everywhere if there are none")
    mask: str = choice("", "the extractor whose matte limits the pass, or 'cumulative'")
    mask_inverted: bool = choice(False, "the pass works where that matte is clear instead")


# ---------------------------------------------------------------- assemble


class EdgeColour(Model):
    """How the screen's share is taken out of semi-transparent pixels."""

    method: Literal["multiply", "subtract", "unmix"] = choice(
        "subtract",
        "multiply the colour by the matte, subtract the screen's share, or unmix it: the colour "
        "that an unmix extractor found, else with colour gathered from the subject nearby",
    )
    settle: Number = number(
        0.05,
        "subtract: the matte value from which the subtraction acts in full",
        low=0,
        high=1,
        step=0.005,
    )
    settle_by_noise: bool = choice(False, "subtract: settle at three times the matte's noise")
    reach_px: Number = number(
        12.0,
        "unmix without such an extractor: how far foreground colour is gathered",
        low=1,
        high=64,
        step=1,
        unit="px",
    )
    hold: Number = number(
        0.02,
        "unmix without such an extractor: how strongly the local estimate holds the colour",
        low=0,
        high=1,
    )
    despill: Number = number(
        1.0,
        "unmix with such an extractor: how much of the screen's light is taken out of its colour",
        low=0,
        high=1,
    )


class Background(Model):
    """The new background and its placement."""

    kind: Literal["picture", "colour", "ramp", "checker"] = choice(
        "checker", "a picture or movie, one colour, a grey ramp or a checkerboard"
    )
    path: str = choice("", "name of the picture or movie, under a media root")
    colourspace: str = choice("", "input colour space of the picture; empty means by its tags")
    colour: RGB = choice((0.18, 0.18, 0.18), "the colour, scene-linear")
    move_x_px: Number = number(0.0, "moved to the right", drag=(-1000, 1000), step=1, unit="px")
    move_y_px: Number = number(0.0, "moved down", drag=(-1000, 1000), step=1, unit="px")
    scale: Number = number(1.0, "size; 1 fills the frame", low=0.01, high=100, drag=(0.25, 4))
    rotate_deg: Number = number(0.0, "rotated clockwise", drag=(-180, 180), step=0.5, unit="deg")
    time_offset: Annotated[
        int, Field(description="frames by which a moving background is later")
    ] = 0
    exposure_stops: Number = number(
        0.0, "exposure", low=-20, high=20, drag=(-4, 4), step=0.05, unit="stops"
    )
    defocus_px: Number = number(
        0.0, "standard deviation of the blur", low=0, high=80, drag=(0, 40), step=0.5, unit="px"
    )
    regrain: Number = number(
        0.0, "grain added, in units of the plate's measured noise", low=0, high=4, drag=(0, 2)
    )


class ScreenLight(Model):
    """The screen's own shadows and light taken over to the background, in a marked area."""

    shapes: list[Shape] = choice([], "the marked area; nothing is taken over without one")
    shadows: Number = number(1.0, "how much of the shadows is taken over", low=0, high=1)
    light: Number = number(
        0.0,
        "how much of the light beyond the screen's own is taken over",
        low=0,
        high=4,
        drag=(0, 1),
    )
    blur_px: Number = number(4.0, "blur of the shadows", low=0, high=64, step=0.5, unit="px")


class LightWrap(Model):
    """Background light let over the subject's edge."""

    amount: Number = number(0.0, "strength", low=0, high=4, drag=(0, 1))
    reach_px: Number = number(
        24.0, "how far the light reaches in", low=0, high=80, step=1, unit="px"
    )


class Assemble(Model):
    """The foreground over the background."""

    edge_colour: EdgeColour = Field(default_factory=EdgeColour)
    foreground_exposure_stops: Number = number(
        0.0, "exposure of the foreground", low=-20, high=20, drag=(-4, 4), step=0.05, unit="stops"
    )
    foreground_gain: RGB = choice(
        (1.0, 1.0, 1.0), "white balance of the foreground, a gain a channel"
    )
    background: Background = Field(default_factory=Background)
    screen_light: ScreenLight = Field(default_factory=ScreenLight)
    light_wrap: LightWrap = Field(default_factory=LightWrap)


# ---------------------------------------------------------------- the whole


class Noise(Model):
    """The camera's noise, measured on the screen: variance = gain * level + offset a channel."""

    gain: RGB = choice((0.0, 0.0, 0.0), "variance for each unit of level")
    offset: RGB = choice((0.0, 0.0, 0.0), "variance at level 0")
    correlation: tuple[Finite, Finite, Finite] = choice(
        (0.0, 0.0, 0.0), "correlation of red-green, red-blue, green-blue"
    )


class Screen(Model):
    """The coloured screen behind the subject."""

    primary: Primary = choice("green", "which primary the screen has")
    colour: RGB = choice((0.05, 0.35, 0.07), "its colour where there is no clean plate")
    clean_plate: Literal["none", "file"] = choice("none", "use the flat colour, or a clean plate")
    clean_plate_path: str = choice("", "name of the clean plate, under a media root")
    clean_plate_colourspace: str = choice("", "its input colour space; empty means by its tags")
    noise: Noise = Field(default_factory=Noise)


class Denoise(Model):
    """How the denoised pass is baked: averages of what looks alike beyond the measured noise."""

    strength: Number = number(
        0.8,
        "how much noise is taken out, in units of the measured noise; 0 leaves the plate as it is, "
        "above 1 fine hair begins to go",
        low=0,
        high=4,
        drag=(0, 2),
        step=0.05,
    )
    reach_frames: Annotated[int, Field(ge=0, le=3)] = choice(
        1, "neighbouring frames on each side that are averaged with"
    )
    keep_luminance: Number = number(
        0.0,
        "how much of the plate's own luminance stays; 1 smooths its colour only",
        low=0,
        high=1,
    )


class Source(Model):
    """How the shot is read."""

    colourspace: str = choice("", "input colour space; empty means by metadata and file rules")
    plate_alpha: Literal["ignore", "use"] = choice(
        "ignore", "what to do with the plate's own alpha channel"
    )
    pixel_aspect: Annotated[Finite, Field(gt=0.05, le=20)] | None = choice(
        None, "width of a pixel over its height; empty means by metadata"
    )
    chroma: Literal["4:4:4", "4:2:2", "4:2:0"] = choice(
        "4:4:4", "how finely the camera recorded colour; unmix goes by it"
    )
    denoised_path: str = choice("", "name of the baked denoised pass, under a media root")
    denoised_colourspace: str = choice("", "its input colour space; empty means by its tags")
    denoise: Denoise = Field(default_factory=Denoise)


class Look(Model):
    """A view-only look: it changes the picture on the screen, never a rendered file's layers."""

    exposure_stops: Number = number(
        0.0, "exposure of the view", low=-20, high=20, drag=(-4, 4), step=0.05, unit="stops"
    )
    display: str = choice("", "OpenColorIO display; empty means the configuration's default")
    view: str = choice("", "OpenColorIO view; empty means the display's default")
    looks: str = choice("", "OpenColorIO looks, comma separated")
    lut_path: str = choice("", "name of a look-up table file, under a media root")
    cdl_slope: RGB = choice((1.0, 1.0, 1.0), "ASC CDL slope")
    cdl_offset: RGB = choice((0.0, 0.0, 0.0), "ASC CDL offset")
    cdl_power: RGB = choice((1.0, 1.0, 1.0), "ASC CDL power")
    cdl_saturation: Annotated[Finite, Field(ge=0, le=4)] = choice(1.0, "ASC CDL saturation")


class Recipe(Model):
    """Everything decided about a shot."""

    format: Literal["verdigris-recipe"] = "verdigris-recipe"
    version: Annotated[int, Field(ge=1, description="version of the recipe's form")] = VERSION
    name: Name = "untitled"
    source: Source = Field(default_factory=Source)
    screen: Screen = Field(default_factory=Screen)
    extractors: Annotated[list[Extractor], Field(max_length=16)] = choice(
        [], "in the order in which they are combined"
    )
    garbage: list[Shape] = choice([], "areas to throw away; garbage wins over keep solid")
    keep_solid: list[Shape] = choice(
        [], "areas to keep solid; not over glass or smoke, which they would fill"
    )
    refine: Refine = choice(Refine(), "refinements of the cumulative matte")
    despill: Annotated[list[DespillPass], Field(max_length=8)] = choice(
        [], "despill passes, in order"
    )
    assemble: Assemble = Field(default_factory=Assemble)
    look: Look = Field(default_factory=Look)
    notes: dict[str, str] = choice({}, "why a setting is what it is, by path")

    @model_validator(mode="after")
    def _checked(self) -> Recipe:
        check_ranges(self)
        self.check_names()
        return self

    def check_names(self) -> None:
        """Raise ValueError where two items have one id, or a mask names none."""
        ids = [item.id for item in [*self.extractors, *self.despill]]
        if len(ids) != len(set(ids)):
            raise ValueError("two items have the same id")
        known = {"", "cumulative", *(extractor.id for extractor in self.extractors)}
        for step in self.despill:
            if step.mask not in known:
                raise ValueError(
                    f"despill pass '{step.name}' is masked by an extractor "
                    f"'{step.mask}' that does not exist"
                )

    def at(self, frame: int) -> Recipe:
        """Return it with every keyed value resolved at `frame` (shapes keep their poses)."""
        return resolve(self, frame)

    def dump(self) -> dict[str, Any]:
        """Return the recipe as plain JSON data."""
        return self.model_dump(mode="json")


def starting_recipe(primary: Primary = "green", colour: RGB | None = None) -> Recipe:
    """Return a plain first key: one colour difference, one despill pass."""
    screen = Screen(primary=primary)
    if primary != "green" and colour is None:
        colour = {"blue": (0.05, 0.09, 0.4), "red": (0.4, 0.05, 0.05)}[primary]
    if colour is not None:
        screen.colour = colour
    return Recipe(
        screen=screen,
        extractors=[ColourDifference(name="screen", role="core")],
        despill=[DespillPass(name="spill")],
    )
