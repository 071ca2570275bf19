"""Judging a capture that somebody hands in: nothing is kept of it."""

from __future__ import annotations

from typing import Annotated, Any

import anyio
from fastapi import APIRouter, Form, Request, UploadFile
from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.analysis import AnalysisOptions, analyse
from service.errors import BadInput, BadQuery
from service.pipeline.readings import FrameFormat
from service.plans import bytes_of_hex
from service.web.dependencies import problems

router = APIRouter(tags=["analyses"])

AT_ONCE = 2
"""Judging is work for the processor: more at once would only make all of them late."""


OTHER_NAMES = {"file": "capture"}
"""What the command line calls it."""


class AnalysisForm(BaseModel):
    """The file and the options of `benchwarden analyze`; what is left out is found in the record."""

    model_config = ConfigDict(extra="forbid")
    capture: Annotated[
        UploadFile,
        Field(description="CSV (time_s,ch1_v,ch2_v), NPZ of a run, or NPZ of arrays with those names."),
    ]
    sent: Annotated[
        str | None, Field(description="Bytes that were sent, hex.", examples=["546964652037"])
    ] = None
    baud: Annotated[float | None, Field(examples=[230400])] = None
    frame: Annotated[str | None, Field(examples=["8N1"])] = None
    logic: Annotated[str | None, Field(description="Logic family.", examples=["3.3"])] = None
    to_target: Annotated[
        str | None, Field(description="Channel of the to-target line; the file's own, else ch1.")
    ] = None
    from_target: Annotated[
        str | None, Field(description="Channel of the from-target line; the file's own, else ch2.")
    ] = None
    timebase_ppm: Annotated[float | None, Field(description="25 is assumed, and said.", examples=[10])] = None

    time_column: Annotated[
        str | None, Field(description="Of other names: the column of seconds.", examples=["t"])
    ] = None

    @model_validator(mode="before")
    @classmethod
    def _as_given(cls, data: Any) -> Any:
        """A form sends empty texts for what was left blank; the command's own spelling is taken too."""
        if not isinstance(data, dict):
            return data
        given = {name: value for name, value in data.items() if value != ""}
        for name in [name for name in given if "-" in name or name in OTHER_NAMES]:
            usual = OTHER_NAMES.get(name, name.replace("-", "_"))
            if usual in cls.model_fields and usual not in given:
                given[usual] = given.pop(name)
        return given

    def options(self) -> AnalysisOptions:
        """Raises BadInput, BadPayload."""
        return AnalysisOptions(
            sent=bytes_of_hex(self.sent) if self.sent is not None else None,
            baud=self.baud,
            frame=_frame(self.frame) if self.frame is not None else None,
            logic=self.logic,
            to_target=self.to_target,
            from_target=self.from_target,
            timebase_ppm=self.timebase_ppm,
            time_column=self.time_column,
        )


@router.post("/analyses", summary="Judge a saved capture", responses=problems(400, 403, 413, 415, 422))
async def judge_capture(
    form: Annotated[AnalysisForm, Form(media_type="multipart/form-data")], request: Request
) -> dict[str, Any]:
    """The result document, as of an echo test."""
    if request.query_params:
        raise BadQuery("the options of an analysis stand in the form beside the capture, not in the address")
    options = form.options()
    content = await form.capture.read()
    name = form.capture.filename or "the capture"

    def work() -> dict[str, Any]:
        return analyse(content, name, options).document

    return await anyio.to_thread.run_sync(work, limiter=request.app.state.judging)


def _frame(text: str) -> FrameFormat:
    try:
        return FrameFormat.parse(text)
    except ValueError as error:
        raise BadInput(str(error)) from None
