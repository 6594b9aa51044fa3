"""The base of every wire model and the bounded number and text types they are made of."""

from typing import Annotated

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints

MAX_COUNTER = 2**63 - 1  # [1] the widest integer both stores hold; wider counters are reported as absent


class WireModel(BaseModel):
    """A frozen document part: strict about types, silent about fields of a newer writer."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore", allow_inf_nan=False)


Counter = Annotated[int, Field(ge=0, le=MAX_COUNTER)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Seconds = Annotated[float, Field(ge=0.0, le=1e10)]
Rate = Annotated[float, Field(ge=0.0, le=1e13)]
Celsius = Annotated[float, Field(ge=-100.0, le=1000.0)]
Instant = AwareDatetime
Id = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_.:-]+$")]
Name = Annotated[str, StringConstraints(min_length=1, max_length=256)]
Sentence = Annotated[str, StringConstraints(max_length=2000)]
Code = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[a-z][a-z0-9_]*$")]
