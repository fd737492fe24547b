"""It was stable and now it is not: a question with a body."""

from flask import Response
from flask_smorest import Blueprint

from kbapi.access.gate import Need
from kbapi.advice.diagnose import diagnose
from kbapi.api.admission import needs
from kbapi.api.answers import dump, instance
from kbapi.api.documents import json_answer, problem_answers
from kbapi.api.headers import require_json, require_no_parameters
from kbapi.api.requests import sent_body
from kbapi.intake.asked import read_asked
from kbapi.intake.diagnosis import parse_diagnosis

blueprint = Blueprint(
    "diagnoses", __name__, url_prefix="/v1", description="Why a setting is no longer stable."
)


@blueprint.route("/diagnose", methods=["POST"])
@blueprint.doc(
    requestBody={
        "required": True,
        "content": {
            "application/json": {"schema": {"$ref": "#/components/schemas/DiagnosisRequest"}}
        },
    },
    responses={
        "200": json_answer(
            "What to check first, what other units showed, and what to do.", "DiagnosisAnswer"
        ),
        **problem_answers(
            _400="The body is not valid JSON.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one value is not possible: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.READING)
def diagnose_setting() -> Response:
    """Diagnose a setting that was stable and is not stable now.

    The answer lists what to check first, what other units showed after the same changes, and what
    to do. Nothing is stored.
    """
    require_no_parameters()
    require_json()
    asked = parse_diagnosis(read_asked(sent_body()), instance().catalogue)
    return dump(diagnose(instance(), asked), 200)
