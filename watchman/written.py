"""The base of everything a person writes: unknown keys refused, numbers are numbers, secrets stay hidden."""

from pydantic import BaseModel, ConfigDict


class Written(BaseModel):
    """A piece of what people write. Its fields' docstrings are the help, and the JSON Schema's descriptions."""

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        hide_input_in_errors=True,
        use_attribute_docstrings=True,
    )
