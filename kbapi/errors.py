"""All errors that kbapi raises on purpose, independent of HTTP.

Only `api/problems.py` gives each class a status. The page `/problems/<code>` shows the title and
the explanation of each class.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One fault of a document or a query: its place, its code, and the correction."""

    pointer: str
    """RFC 6901 JSON pointer into the document, or the name of a query parameter."""
    code: str
    detail: str
    candidates: tuple[str, ...] = ()
    """Catalogue keys to choose from, if several chips share the name."""


FAULTS: Final = {
    "unknown_field": "No field or parameter has this name. The detail suggests the nearest name, "
    "if there is one.",
    "too_many_unknown_fields": "Reading stopped at the 33rd unknown field or parameter. Send the "
    "documented names.",
    "required": "This field or parameter is required.",
    "invalid": "The value has the wrong form. The detail describes the right form.",
    "repeated_parameter": "Send each query parameter once.",
    "repeated_key": "A JSON object has each key once. Remove the repeated key.",
    "not_finite": "NaN, Infinity and numbers like 1e400 are not measurements. Leave the field out.",
    "too_large": "JSON readers do not agree on whole numbers beyond 2^53. Send a smaller number.",
    "too_long": "The text is too long. Shorten it.",
    "too_many_texts": "The document has more texts than one result needs. Remove some of them.",
    "too_many_values": "The document has more values than one result needs. Nothing else was "
    "read. Remove some of them.",
    "unreadable_text": "The text contains a NUL character or half of a surrogate pair. Remove it.",
    "more_problems": "Reading stopped, so there may be more problems. Correct the listed ones "
    "first.",
    "chip_ambiguous": "Several chips share this name. Choose one of the candidates, or add "
    "chip_ids or the form of the machine.",
    "chip_unlikely": "The number of the chip differs from a known one by one typing error. Choose "
    "one of the candidates, or send the document again with chip_confirmed: true.",
    "chip_unreadable": "The text does not name exactly one chip. Send the name as the system "
    "prints it.",
    "personal_data_found": "The value looks like personal data: an address, a device number or a "
    "home folder. It was not stored and is not repeated. Leave it out.",
    "passes_beyond_failure": "A run passed deeper than an earlier run failed, so no limit fits "
    "both. Leave out the run that you do not trust.",
    "wrong_number_of_items": "A batch has 1 to 1,000 items.",
    "item_too_large": "An item of a batch is at most as large as the body of a single result.",
    "stored_already": "The same machine has the same document under another id. Withdraw one of "
    "them.",
    "note_frame": "A note begins with TOML between two +++ lines.",
    "note_field": "A field at the head of the note is wrong. The detail describes the right form.",
    "nothing_to_count": "After screening, the setting has neither a pass nor a failure. A "
    "decision cannot include it.",
    "reason_does_not_fit": "The reason belongs to another decision. The detail lists the reasons "
    "for this one.",
    "pool_unknown": "No pool that waits has this number. 'kbapi review list' shows the numbers.",
    "pool_not_excluded": "A pool is only included, or the decision undone. Exclude the results of "
    "a contributor instead.",
    "duplicate_decision": "One request decides each setting and pool once. Remove the repeated "
    "entry.",
    "too_many_settings": "One request decides at most 10,000 settings. Split the request.",
    "confirmation_needed": "The request names results by something else than their ids. Send it "
    "with dry_run=true first: the answer lists what it touches. Then send it with its `confirm`.",
    "key_name": "A key's name has at most 40 plain characters and does not identify a person.",
    "key_scope": "A key has one or more of the listed scopes.",
    "key_unknown": "No access key has this number. 'kbapi keys list' shows the numbers.",
    "note_unknown": "No note has this key. 'kbapi notes list' shows the keys.",
    "note_text": "The text of a note is Markdown without HTML and without links.",
}
"""The explanations of single faults of a document or a query, by code."""


class KbapiError(Exception):
    """The base of all errors with a text for a person."""

    code: ClassVar[str] = "error"
    title: ClassVar[str] = "Something is wrong"
    explanation: ClassVar[str] = "The detail of the answer names the cause."

    def __init__(self, detail: str = "", problems: Sequence[Problem] = ()) -> None:
        self.detail = detail or self.explanation
        self.problems = tuple(problems)
        super().__init__(self.detail)


class JsonUnreadable(KbapiError):
    """The body is not JSON text."""

    code = "json_unreadable"
    title = "The body is not valid JSON"
    explanation = (
        "Send one JSON document in UTF-8. The detail gives the line and column of the error. "
        "Nothing was stored."
    )


class DocumentRefused(KbapiError):
    """A submitted document breaks a rule of shape or plausibility."""

    code = "document_refused"
    title = "The document was refused"
    explanation = (
        "At least one value is not possible; each problem has a pointer to its value. Nothing "
        "was stored: correct the values and send the document again."
    )


class QueryInvalid(KbapiError):
    """A query has an unknown parameter or an invalid value."""

    code = "query_invalid"
    title = "The query is invalid"
    explanation = (
        "At least one query parameter is unknown or has an invalid value. Each problem names its "
        "parameter."
    )


class IdempotencyKeyUnreadable(KbapiError):
    """The Idempotency-Key header is not a structured string."""

    code = "idempotency_key_unreadable"
    title = "The Idempotency-Key is invalid"
    explanation = (
        'An Idempotency-Key is 1 to 255 visible ASCII characters, such as "8e03978e-40d5-43e8". '
        "Double quotes around it are optional. Nothing was stored."
    )


class IdempotencyKeyReused(KbapiError):
    """One Idempotency-Key came with two different documents."""

    code = "idempotency_key_reused"
    title = "This Idempotency-Key was used for another document"
    explanation = (
        "The key was used within the last 24 hours with a different document. Use a new key for a "
        "new document. Nothing was stored."
    )


class ReceiptMissing(KbapiError):
    """A route that needs a receipt was called without one."""

    code = "receipt_missing"
    title = "This request needs a receipt"
    explanation = "Send the receipt of the submission as 'Authorization: Bearer kbr_...'."


class ReceiptWrong(KbapiError):
    """The receipt does not belong to this submission, which may not exist."""

    code = "receipt_wrong"
    title = "The receipt is wrong"
    explanation = "This receipt does not belong to this submission. Nothing was read or changed."


class ContributorMissing(KbapiError):
    """A route about a contributor's own results was called without a usable token."""

    code = "contributor_missing"
    title = "This request needs a contributor token"
    explanation = (
        "Send your contributor token as 'Kbapi-Contributor: ...'. A token is 16 to 128 of the "
        "characters A-Z a-z 0-9 . _ ~ -. The server keeps only a keyed hash of it."
    )


class SubmissionGone(KbapiError):
    """The receipt is right, but the submission was withdrawn."""

    code = "submission_gone"
    title = "The submission was withdrawn"
    explanation = "The sender withdrew this submission. Its content was deleted."


class Overloaded(KbapiError):
    """More requests wait than can be answered soon."""

    code = "overloaded"
    title = "The server is overloaded"
    explanation = (
        "The request would have waited too long. Nothing was stored: try again after the number "
        "of seconds in Retry-After."
    )


class StorageBusy(KbapiError):
    """Another process locks the database for too long."""

    code = "storage_busy"
    title = "The database is busy"
    explanation = (
        "Another process is using the database. Nothing was stored: try again in a few seconds."
    )


class StorageUnreachable(StorageBusy):
    """The server of the database does not answer, or ended the connection."""

    code = "storage_unreachable"
    title = "The database cannot be reached"
    explanation = (
        "The server of the database does not answer, or it stopped while this request ran. Send "
        "it again after the number of seconds in Retry-After, with the same Idempotency-Key."
    )


class StorageUnwritable(KbapiError):
    """The disk is full or fails, or the file may not be written."""

    code = "storage_unwritable"
    title = "The database cannot be written"
    explanation = (
        "The disk is full, or the database file is read-only. Nothing was stored; questions are "
        "still answered. Tell the person who hosts this instance."
    )


class StorageFull(StorageUnwritable):
    """The disk is full, or has less free space than the host reserved."""

    code = "storage_full"
    title = "The disk is full"
    explanation = (
        "The disk has too little free space. Nothing was stored; questions are still answered. "
        "Try again later and tell the person who hosts this instance."
    )


class DiskError(StorageUnwritable):
    """The disk, or its driver, failed to read or to write."""

    code = "disk_error"
    title = "The disk reports an error"
    explanation = (
        "The disk of this instance fails. A result that came with this request was not stored. "
        "Try again later and tell the person who hosts this instance."
    )


class InstanceReadOnly(StorageUnwritable):
    """The host made the instance read-only."""

    code = "read_only"
    title = "This instance is read-only"
    explanation = (
        "The host made this instance read-only, for example during a move. Nothing was stored; "
        "questions are still answered. Send it again later."
    )


BEING_MOVED: Final = (
    "The host is moving this instance to another database. Nothing was stored; questions are "
    "still answered. Send it again later."
)
MOVED: Final = (
    "The host moved this instance to another database, and this server still has the old one. "
    "Nothing was stored; questions are still answered. Send it again later."
)
"""Details of `InstanceReadOnly` during a move and after it."""


class StorageBroken(KbapiError):
    """The file is not a database, or is damaged."""

    code = "storage_broken"
    title = "The database cannot be read"
    explanation = (
        "The file is damaged or is not a database. Tell the person who hosts this instance."
    )


class StorageDamaged(StorageBroken):
    """A page of the database has content that SQLite did not write."""

    code = "storage_damaged"
    title = "A part of the database is damaged"
    explanation = (
        "This request needs a damaged part of the database. Nothing was stored; other questions "
        "may still be answered. Tell the person who hosts this instance."
    )


class InstanceInUse(KbapiError):
    """A server or a command has the instance open, or a restore replaces it."""

    code = "instance_in_use"
    title = "The instance is in use"
    explanation = (
        "A restore or an upgrade needs the database alone. Stop the server and every command on "
        "this folder, then try again."
    )


class SchemaMismatch(KbapiError):
    """The database is older or newer than this code."""

    code = "schema_mismatch"
    title = "The database schema does not match the program"
    explanation = "The host must run 'kbapi db upgrade' or install a newer program."


class CatalogueError(KbapiError):
    """A catalogue file or a look-up in the catalogue is wrong."""

    code = "catalogue_unreadable"
    title = "The chip catalogue cannot be read"
    explanation = (
        "A catalogue file is wrong; the detail names it. Tell the person who hosts this instance."
    )


class UnsafeSetup(KbapiError):
    """The instance must not start with this setup; the detail has the cause."""

    code = "unsafe_setup"
    title = "Setup problem"
    explanation = (
        "A folder, a file or a setting is not safe to use. The detail gives the cause "
        "and the correction."
    )


class ChipUnknown(KbapiError):
    """The text does not name exactly one chip."""

    code = "chip_unknown"
    title = "The text does not name exactly one chip"
    explanation = (
        "Send the name as the system prints it, or a catalogue key. The answer lists chips with "
        "similar names, if there are any."
    )


class ServerUnreachable(KbapiError):
    """A command reached no server at the given address."""

    code = "server_unreachable"
    title = "The server cannot be reached"
    explanation = (
        "No kbapi server answers at this address. Check the address, and that the server runs."
    )


class AccessKeyMissing(KbapiError):
    """A request that needs an access key came without one."""

    code = "access_key_missing"
    title = "This request needs an access key"
    explanation = "Send the key that the host gave you as 'Authorization: Bearer kbk_...'."


class AccessKeyWrong(KbapiError):
    """The key does not exist or was revoked."""

    code = "access_key_wrong"
    title = "The access key is not valid"
    explanation = (
        "The key is mistyped, revoked, or from another instance. Ask the host for a new key."
    )


class ScopeMissing(KbapiError):
    """The key is valid, but lacks the scope."""

    code = "scope_missing"
    title = "The access key lacks the scope"
    explanation = (
        "The key is valid, but this request needs another scope. Ask the host for a "
        "key with that scope."
    )


class RateExceeded(KbapiError):
    """One key or network sent more requests than the host allows in a minute."""

    code = "rate_exceeded"
    title = "Too many requests"
    explanation = (
        "Nothing was stored. Wait the number of seconds in Retry-After. The RateLimit header of "
        "each answer shows how many requests are left."
    )


class TooCostly(KbapiError):
    """A document or a question takes more time than one request may use."""

    code = "too_costly"
    title = "The request takes too long"
    explanation = (
        "The document or question took longer than one request may. Nothing was stored. The "
        "detail names the step that took too long and the correction."
    )


class ResultUnknown(KbapiError):
    """A request of the host names a result or a contributor that is not stored."""

    code = "result_unknown"
    title = "The result or contributor does not exist"
    explanation = (
        "No stored result has this id, or no contributor has this number. It was withdrawn, "
        "erased or never sent."
    )


class CpuTimeExceeded(KbapiError):
    """The requests of one key or network took more CPU time than the host allows in a minute."""

    code = "cpu_time_exceeded"
    title = "Too much CPU time"
    explanation = (
        "Nothing was stored. The requests of this key or network took all of their CPU time in "
        "this minute. Wait the number of seconds in Retry-After, and send smaller requests."
    )


class SettingUnknown(KbapiError):
    """A request of a curator names a setting that is not stored."""

    code = "setting_unknown"
    title = "The setting does not exist"
    explanation = "No stored result has this setting. It was withdrawn or never sent."


class KeyRefused(KbapiError):
    """A key cannot be created or revoked with these values."""

    code = "key_refused"
    title = "The access key request was refused"
    explanation = "Correct each listed problem. Nothing was changed."


class NoteRefused(KbapiError):
    """A curated note breaks the rules of notes."""

    code = "note_refused"
    title = "The note was refused"
    explanation = (
        "A note is TOML between two +++ lines, then Markdown without HTML and without links. "
        "Correct each listed problem. Nothing was changed."
    )


class PageMissing(KbapiError):
    """No route has this path."""

    code = "not_found"
    title = "Not found"
    explanation = (
        "No page or endpoint has this path. Check the path and the ids in it. /docs "
        "describes the API."
    )


class PictureEmpty(KbapiError):
    """There are too few results for this picture."""

    code = "picture_empty"
    title = "Nothing to draw"
    explanation = (
        "A picture needs results, and there are too few of them. The detail says what is missing "
        "and what would help."
    )


class MethodWrong(KbapiError):
    """The path exists, but not with this method."""

    code = "method_not_allowed"
    title = "This path does not accept this method"
    explanation = "The Allow header lists the methods that this path accepts."


class BodyTooLarge(KbapiError):
    """The body is larger than this instance reads."""

    code = "body_too_large"
    title = "The body is too large"
    explanation = "Nothing was stored. Send a smaller body; one result needs a few kilobytes."


class BodyTooSlow(KbapiError):
    """The body did not arrive in time, or its sender closed the connection."""

    code = "body_too_slow"
    title = "The body arrived too slowly"
    explanation = "The body did not arrive completely in time. Nothing was stored: send it again."


class AddressTooLong(KbapiError):
    """Path and query are longer than any request needs."""

    code = "address_too_long"
    title = "The address is too long"
    explanation = "Path and query together have at most 8,000 characters. Shorten the query."


class HeadTooLarge(KbapiError):
    """The header fields are more or larger than any request needs."""

    code = "head_too_large"
    title = "The header fields are too large"
    explanation = (
        "A request has at most 64 header fields of 4,000 characters each. All fields together "
        "have at most 64,000 characters."
    )


class MediaTypeWrong(KbapiError):
    """The Content-Type is not one that this endpoint reads."""

    code = "media_type_not_supported"
    title = "The Content-Type is not supported"
    explanation = "Send the document with 'Content-Type: application/json'. Nothing was stored."


class FormRefused(KbapiError):
    """A form came without its token, or from a page of another site."""

    code = "form_refused"
    title = "The form was refused"
    explanation = (
        "The form has no valid token, or a page of another site sent it. Nothing was stored. Open "
        "the page of this site and send its form."
    )


class FormOutdated(KbapiError):
    """A form came from a page that was open for too long, or of another session."""

    code = "form_outdated"
    title = "The page was open for too long"
    explanation = (
        "The page was open for more than seven days, or you signed in with another key. Nothing "
        "was stored. Send the form again."
    )


class RequestUnreadable(KbapiError):
    """The request breaks HTTP in a way that the framework refuses."""

    code = "request_unreadable"
    title = "The request is not valid HTTP"
    explanation = (
        "The request breaks a rule of HTTP. Nothing was stored. Check the program or "
        "proxy that sent it."
    )


class Unexpected(KbapiError):
    """An error that the code did not expect."""

    code = "unexpected"
    title = "The server failed"
    explanation = (
        "The fault is in the server, not in your request. Nothing was stored, except for a batch: "
        "its first items may be, and can be sent again. Give the request_id to the host, who can "
        "find the cause in the log."
    )
