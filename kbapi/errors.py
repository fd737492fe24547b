"""Every error that kbapi raises on purpose; none of them knows HTTP.

`api/problems.py` is the one place that gives each class a status, and `/problems/<code>` shows
each class's title and explanation to people.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One fault of a document or a query: where it is, its code, and what would be right."""

    pointer: str
    """RFC 6901 JSON pointer into the document, or the name of a query parameter."""
    code: str
    detail: str
    candidates: tuple[str, ...] = ()
    """Catalogue keys to choose from, where a chip's name fits several."""


FAULTS: Final = {
    "unknown_field": "No field or parameter has this name; the detail says which one may be meant.",
    "required": "This field or parameter must be there.",
    "invalid": "The value has the wrong shape; the detail says what would be right.",
    "repeated_parameter": "A parameter stands in a query once.",
    "repeated_key": "A key stands in a JSON object once: readers disagree on which of two counts.",
    "not_finite": "NaN, Infinity and numbers like 1e400 are no measurements: leave the field out.",
    "too_large": "Whole numbers beyond 2^53 are not exact in JSON.",
    "too_long": "The text is longer than anything that is kept.",
    "too_many_texts": "The document holds more texts than a result can need.",
    "unreadable_text": "The text holds a NUL or half of a surrogate pair.",
    "more_problems": "There are more problems than are listed: correct these first.",
    "chip_ambiguous": "Several chips share this name: choose one of the candidates, or send the "
    "numbers beside the name (chip_ids) or the machine's form.",
    "chip_unreadable": "No one chip is called this: send the name as the system prints it.",
    "personal_data_found": "The value looks like something that tells who or where somebody is (an "
    "address, a number of a device, a name of a person's folder). It is neither kept nor repeated: "
    "leave it out.",
    "passes_beyond_failure": "A run passed deeper than an earlier one had failed, so that no limit "
    "fits both: leave out the one that you do not trust.",
    "wrong_number_of_items": "A batch has 1 to 1,000 items.",
    "note_frame": "A note begins with TOML between two +++ lines.",
    "note_field": "A field of the note's head is wrong; the detail says what would be right.",
    "nothing_to_count": "Screening left neither a pass nor a failure of the setting: nothing that "
    "could count.",
    "reason_does_not_fit": "The reason belongs to another word; the detail lists those that fit.",
    "duplicate_decision": "One request says one thing of a setting.",
    "too_many_settings": "One request is about 10,000 settings at most.",
    "key_name": "A key's name is short, plain and tells nobody's identity.",
    "key_scope": "A key opens one or more of the scopes that are listed.",
    "key_unknown": "No key has this number.",
    "note_unknown": "No note has this key.",
    "note_text": "The note's text is Markdown without HTML and without links.",
}
"""What single faults of a document or a query mean, by their code."""


class KbapiError(Exception):
    """The base of all errors that are meant for a person to read."""

    code: ClassVar[str] = "error"
    title: ClassVar[str] = "Something is wrong"
    explanation: ClassVar[str] = "The answer's detail says what."

    def __init__(self, detail: str = "", problems: Sequence[Problem] = ()) -> None:
        self.detail = detail or self.explanation
        self.problems = tuple(problems)
        super().__init__(self.detail)


class JsonUnreadable(KbapiError):
    """The body is not JSON text at all."""

    code = "json_unreadable"
    title = "The body is not readable as JSON"
    explanation = (
        "The body must be one JSON document in UTF-8. The detail says at which line and column "
        "reading stopped. Nothing was stored."
    )


class DocumentRefused(KbapiError):
    """A submitted document breaks a rule of shape or plausibility."""

    code = "document_refused"
    title = "The document was refused"
    explanation = (
        "At least one value cannot be right. All problems are listed at once, each with a pointer "
        "to the value. Nothing was stored: correct them and send the document again."
    )


class QueryInvalid(KbapiError):
    """A query asks for something that does not exist or cannot be."""

    code = "query_invalid"
    title = "The question was refused"
    explanation = (
        "At least one query parameter is unknown or has a value that cannot be. All problems are "
        "listed at once, each with the parameter's name."
    )


class IdempotencyKeyUnreadable(KbapiError):
    """The Idempotency-Key header is not a structured string."""

    code = "idempotency_key_unreadable"
    title = "The Idempotency-Key is not usable"
    explanation = (
        "An Idempotency-Key is 1 to 255 visible ASCII characters, with or without double quotes, "
        'such as "8e03978e-40d5-43e8". Nothing was stored.'
    )


class IdempotencyKeyReused(KbapiError):
    """One Idempotency-Key came with two different documents."""

    code = "idempotency_key_reused"
    title = "This Idempotency-Key belongs to another document"
    explanation = (
        "The key was used within the last 24 hours with a different document. Use a new key for a "
        "new document. Nothing was stored."
    )


class ReceiptMissing(KbapiError):
    """A route that needs a receipt was called without one."""

    code = "receipt_missing"
    title = "A receipt is needed"
    explanation = (
        "Send the receipt that came with the submission as 'Authorization: Bearer kbr_...'."
    )


class ReceiptWrong(KbapiError):
    """The receipt does not belong to this submission, whether or not it exists."""

    code = "receipt_wrong"
    title = "The receipt does not fit"
    explanation = "This receipt does not belong to this submission. Nothing was read or changed."


class ContributorMissing(KbapiError):
    """A route about a contributor's own results was called without a usable token."""

    code = "contributor_missing"
    title = "A contributor token is needed"
    explanation = (
        "Send the token that you sent your results with as 'Kbapi-Contributor: ...'. It is 16 to "
        "128 of the characters A-Z a-z 0-9 . _ ~ - and only a keyed hash of it is ever kept."
    )


class SubmissionGone(KbapiError):
    """The receipt fits, but the submission has been withdrawn."""

    code = "submission_gone"
    title = "The submission is not here any more"
    explanation = "It has been withdrawn, and nothing of it is kept."


class StorageBusy(KbapiError):
    """Another process holds the database for too long."""

    code = "storage_busy"
    title = "The database is busy"
    explanation = "Another process holds it. Nothing was stored: try again in a few seconds."


class StorageUnwritable(KbapiError):
    """The disk is full, or the file may not be written."""

    code = "storage_unwritable"
    title = "The database cannot be written"
    explanation = (
        "The disk is full or the file is read-only. Nothing was stored; reading goes on. Tell the "
        "person who hosts this instance."
    )


class StorageFull(StorageUnwritable):
    """The disk has no room left, or less than the host wants to keep free."""

    code = "storage_full"
    title = "The disk is full"
    explanation = (
        "There is no room, or nearly none. Nothing was stored; reading goes on. Try again later: "
        "writing goes on by itself as soon as there is room. Tell the person who hosts it."
    )


class InstanceReadOnly(StorageUnwritable):
    """The host lets nothing be written at present."""

    code = "read_only"
    title = "This instance takes nothing at present"
    explanation = (
        "The host has set it to reading only, for instance while it is being moved. Nothing was "
        "stored; reading goes on. Send it again later."
    )


class StorageBroken(KbapiError):
    """The database file is not one, or is damaged."""

    code = "storage_broken"
    title = "The database cannot be read"
    explanation = "The file is damaged or is not a database. Tell the person who hosts it."


class InstanceInUse(KbapiError):
    """A server or a command has the instance open, or it is being replaced."""

    code = "instance_in_use"
    title = "The instance is in use"
    explanation = (
        "A database is put in place or upgraded only while nobody else has it open: stop the "
        "server and every command on this folder, then try again."
    )


class SchemaMismatch(KbapiError):
    """The database is older or newer than this code."""

    code = "schema_mismatch"
    title = "The database has another version than the program"
    explanation = "The host must run 'kbapi db upgrade', or install the newer program."


class CatalogueError(KbapiError):
    """A catalogue file, or a question to the catalogue, that makes no sense."""

    code = "catalogue_unreadable"
    title = "The chip catalogue cannot be read"
    explanation = "A file of the catalogue is wrong; the detail says which. Tell the host."


class UnsafeSetup(KbapiError):
    """The instance must not start like this; the detail says why."""

    code = "unsafe_setup"
    title = "This set-up is unsafe"
    explanation = "The program refuses to start; the detail says why and what would be right."


class ChipUnknown(KbapiError):
    """The text names no one chip."""

    code = "chip_unknown"
    title = "No one chip has this name"
    explanation = (
        "The text is not the name of exactly one chip. The candidates, if any, are chips that "
        "may have been meant."
    )


class ServerUnreachable(KbapiError):
    """A command found no server where it was told to ask."""

    code = "server_unreachable"
    title = "The server cannot be reached"
    explanation = "Nobody answers there, or what answers is no kbapi."


class AccessKeyMissing(KbapiError):
    """Something that needs an access key was asked without one."""

    code = "access_key_missing"
    title = "No access key was sent"
    explanation = (
        "This asks for an access key: send 'Authorization: Bearer kbk_...' with the key that the "
        "host gave you."
    )


class AccessKeyWrong(KbapiError):
    """The key was never given, or was taken back."""

    code = "access_key_wrong"
    title = "This access key opens nothing"
    explanation = "The key is mistyped, was never given here, or was revoked. Ask the host."


class ScopeMissing(KbapiError):
    """The key is good, but for other things."""

    code = "scope_missing"
    title = "This access key does not open this"
    explanation = "The key is good for other things only. Ask the host for one with this scope."


class RateExceeded(KbapiError):
    """More requests came from one place than the host allows in a minute."""

    code = "rate_exceeded"
    title = "Too many requests"
    explanation = (
        "Nothing was stored. Wait as many seconds as Retry-After says; the RateLimit fields of "
        "every answer tell how many requests are left."
    )


class SettingUnknown(KbapiError):
    """A curator asks for a setting that is not here."""

    code = "setting_unknown"
    title = "There is no such setting"
    explanation = "No result that is here now has a setting there: withdrawn, or never sent."


class KeyRefused(KbapiError):
    """A key can't be given or taken back like this."""

    code = "key_refused"
    title = "The key was refused"
    explanation = "All problems are listed; nothing was changed."


class NoteRefused(KbapiError):
    """A curated note breaks the rules of notes."""

    code = "note_refused"
    title = "The note was refused"
    explanation = (
        "A note is TOML between two +++ lines and a text in Markdown, without HTML and without "
        "links. All problems are listed; nothing was kept."
    )


class PageMissing(KbapiError):
    """No route has this path."""

    code = "not_found"
    title = "There is nothing here"
    explanation = "No page or endpoint has this path. The API is described at /docs."


class MethodWrong(KbapiError):
    """The path exists, but not with this method."""

    code = "method_not_allowed"
    title = "This path takes another method"
    explanation = "The Allow header says which methods this path takes."


class BodyTooLarge(KbapiError):
    """The body is larger than this instance reads."""

    code = "body_too_large"
    title = "The body is too large"
    explanation = "One result needs a few kilobytes. Nothing was stored."


class BodyTooSlow(KbapiError):
    """The body did not come in time, or its sender left."""

    code = "body_too_slow"
    title = "The body came too slowly"
    explanation = "The body stopped coming before its end. Nothing was stored: send it again."


class AddressTooLong(KbapiError):
    """Path and query are longer than any question needs."""

    code = "address_too_long"
    title = "The address is too long"
    explanation = "Path and query together have 8,000 characters at most; questions need far fewer."


class HeadTooLarge(KbapiError):
    """The header fields are more, or larger, than any request needs."""

    code = "head_too_large"
    title = "The header fields are too large"
    explanation = (
        "A request has 64 header fields at most, each of 4,000 characters at most, and 64,000 "
        "characters together."
    )


class MediaTypeWrong(KbapiError):
    """The Content-Type is not one that this endpoint reads."""

    code = "media_type_not_supported"
    title = "This Content-Type is not read here"
    explanation = "Send the document with 'Content-Type: application/json'. Nothing was stored."


class RequestUnreadable(KbapiError):
    """The request breaks HTTP in a way that the framework refuses."""

    code = "request_unreadable"
    title = "The request cannot be read"
    explanation = "The request breaks a rule of HTTP. Nothing was stored."


class Unexpected(KbapiError):
    """Something that nobody foresaw."""

    code = "unexpected"
    title = "Something went wrong on this side"
    explanation = (
        "It is not your document's fault. Nothing was stored; the host can find the cause in the "
        "log by the request_id."
    )
