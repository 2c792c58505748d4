"""The bytes of unfinished uploads in the bucket of the recordings: parts of a multipart upload, and a tail.

Every part but the last has at least 5 MiB (the S3 protocol's own limit), a chunk may have less: what is left
over of a request lies as an object of its own, the tail, until the next request takes it up. Several machines
may serve one upload in turn, so its lock is a lease in its row. All S3 operations named here are those of the
Amazon S3 API Reference: CreateMultipartUpload, UploadPart, CompleteMultipartUpload, AbortMultipartUpload.
"""

from __future__ import annotations

import posixpath
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.files.base import ContentFile
from django.db.models import Q
from django.utils import timezone

from analysis.intake import keeping
from analysis.intake.models import Upload
from analysis.intake.resumable import refusals, rows

PART_BYTES = 8 * 1024**2
LEASE = timedelta(seconds=45)
RENEW_AFTER_S = 10.0
FOLDER = "incoming"


UPLOAD_IS_GONE = {"InvalidPart", "InvalidPartOrder", "NoSuchUpload", "EntityTooSmall"}


class BucketPlace:
    """The bucket, beside the recordings."""

    needs_disk = False

    def begin(self, upload: Upload) -> None:
        """Nothing yet: the first full part begins the multipart upload, and a small file never does."""

    @contextmanager
    def held(self, upload_id: UUID) -> Iterator[BucketHold]:
        """Have the upload alone. Raises UploadRefused: 423 while another has it, 404 when it is gone."""
        now, token = timezone.now(), uuid.uuid4()
        is_free = Q(lease_until=None) | Q(lease_until__lt=now)
        mine = {"lease_token": token, "lease_until": now + LEASE}
        if not Upload.objects.filter(is_free, pk=upload_id).update(**mine):
            rows.find(upload_id)
            raise refusals.busy()
        try:
            hold = BucketHold(rows.find(upload_id))
            try:
                yield hold
            finally:
                hold.tidy()
        finally:
            Upload.objects.filter(pk=upload_id, lease_token=token).update(lease_token=None, lease_until=None)

    def discard(self, upload: Upload) -> None:
        """Abort what is not complete and delete what is; nothing happens when there is nothing."""
        _abandon(upload.pk)

    def sweep_strays(self, *, older_than: timedelta) -> int:
        """Remove parts and objects that no row speaks of: a process died between the two."""
        before = timezone.now() - older_than
        folder = _key(f"{FOLDER}/")
        old = {
            _id_of(item.key)
            for item in _bucket().objects.filter(Prefix=folder)
            if item.last_modified < before
        }
        old |= {_id_of(item["Key"]) for item in _multiparts(folder) if item["Initiated"] < before}
        strays = old - set(Upload.objects.filter(pk__in=old).values_list("pk", flat=True))
        for upload_id in strays:
            _abandon(upload_id)
        return len(strays)


class BucketHold:
    """One upload, had alone for as long as the lease is renewed; the row's compare-and-set is the fence.

    The row's notes are `multipart`, the id of the multipart upload; `parts`, the ETag and size in bytes of
    each part that counts; `tail`, the key of what is in no part yet. Each is missing where there is none.
    """

    def __init__(self, upload: Upload) -> None:
        self.upload = upload
        self._multipart: str | None = upload.notes.get("multipart")
        self._parts: list[tuple[str, int]] = [(etag, size) for etag, size in upload.notes.get("parts", [])]
        self._tails = {tail} if (tail := upload.notes.get("tail")) else set()
        self._waiting: bytearray | None = None  # in no part yet; the tail, once it was picked up
        self._renewed_at_s = time.monotonic()

    def write(self, block: bytes) -> None:
        """Take the next bytes; every full part goes to the bucket at once."""
        self._renew()
        waiting = self._picked_up()
        waiting += block
        while len(waiting) >= PART_BYTES:
            self._send_part(bytes(waiting[:PART_BYTES]))
            del waiting[:PART_BYTES]

    def settle(self, *, is_end: bool) -> tuple[int, dict[str, Any]]:
        """Up to the last full part; at the end of a request the rest too, as the last part or as a tail."""
        waiting = self._picked_up()
        if not is_end:
            sent_bytes = self._sent_bytes()
            if sent_bytes <= self.upload.offset_bytes:
                return self.upload.offset_bytes, self.upload.notes
            return sent_bytes, self._notes(tail=None)
        is_whole = self._sent_bytes() + len(waiting) == self.upload.size_bytes
        if waiting and is_whole and self._parts:
            self._send_part(bytes(waiting))
            waiting.clear()
        tail = self._put_tail(bytes(waiting)) if waiting else None
        return self._sent_bytes() + len(waiting), self._notes(tail=tail)

    def drop(self) -> None:
        """Forget what was written and not committed; a part of the same number will take its place."""
        self._parts = [(etag, size) for etag, size in self.upload.notes.get("parts", [])]
        self._waiting = None

    @contextmanager
    def whole(self) -> Iterator[Path]:
        """A copy of the finished file on this machine. Raises UploadRefused 410 if its parts are lost."""
        with keeping.local_path(self._object()) as path:
            yield path

    def keep(self) -> str:
        """Copy the finished file to the shelf, within the bucket, and return its key."""
        key, bucket = keeping.new_key(), _bucket()
        source = {"Bucket": bucket.name, "Key": _key(self._object())}
        _client().copy(source, bucket.name, _key(key), ExtraArgs=_access())
        return key

    def tidy(self) -> None:
        """Delete tails, and abort a multipart upload, that no committed note speaks of."""
        for tail in self._tails - {self.upload.notes.get("tail")}:
            keeping.discard(tail)
        if self._multipart is not None and self._multipart != self.upload.notes.get("multipart"):
            _abort(_key(_name(self.upload.pk)), self._multipart)

    def _object(self) -> str:
        """The name of the finished file, completed first where it came in parts."""
        name = _name(self.upload.pk)
        if self._multipart is None:
            return self.upload.notes.get("tail") or self._put_tail(b"")
        if not keeping.shelf().exists(name):
            parts = [{"PartNumber": n, "ETag": etag} for n, (etag, _) in enumerate(self._parts, start=1)]
            try:
                _client().complete_multipart_upload(
                    Bucket=_bucket().name,
                    Key=_key(name),
                    UploadId=self._multipart,
                    MultipartUpload={"Parts": parts},
                )
            except _client().exceptions.ClientError as exc:
                if exc.response["Error"]["Code"] in UPLOAD_IS_GONE:
                    raise rows.lost(self.upload) from exc
                raise
        return name

    def _picked_up(self) -> bytearray:
        if self._waiting is None:
            tail = self.upload.notes.get("tail")
            self._waiting = bytearray()
            if tail:
                with keeping.opened(tail) as file:
                    self._waiting += file.read()
            if self._sent_bytes() + len(self._waiting) != self.upload.offset_bytes:
                raise rows.lost(self.upload)
        return self._waiting

    def _send_part(self, part: bytes) -> None:
        client, where = _client(), {"Bucket": _bucket().name, "Key": _key(_name(self.upload.pk))}
        if self._multipart is None:
            begun = client.create_multipart_upload(
                **where, ContentType="application/octet-stream", **_access()
            )
            self._multipart = begun["UploadId"]
        number = len(self._parts) + 1
        sent = client.upload_part(**where, UploadId=self._multipart, PartNumber=number, Body=part)
        self._parts.append((sent["ETag"], len(part)))

    def _put_tail(self, tail: bytes) -> str:
        name = keeping.shelf().save(f"{_name(self.upload.pk)}.{uuid.uuid4().hex}", ContentFile(tail))
        self._tails.add(name)
        return name

    def _sent_bytes(self) -> int:
        return sum(size for _, size in self._parts)

    def _notes(self, *, tail: str | None) -> dict[str, Any]:
        notes = {"multipart": self._multipart, "parts": self._parts, "tail": tail}
        return {name: value for name, value in notes.items() if value}

    def _renew(self) -> None:
        """Keep the lease while bytes come in. Raises UploadRefused 409 when another request has it by now."""
        if time.monotonic() - self._renewed_at_s < RENEW_AFTER_S:
            return
        mine = Upload.objects.filter(pk=self.upload.pk, lease_token=self.upload.lease_token)
        if not mine.update(lease_until=timezone.now() + LEASE):
            raise refusals.overtaken()
        self._renewed_at_s = time.monotonic()


def _name(upload_id: UUID) -> str:
    return f"{FOLDER}/{upload_id.hex}"


def _id_of(key: str) -> UUID:
    return UUID(posixpath.basename(key).partition(".")[0])


def _key(name: str) -> str:
    """The key in the bucket of what the shelf calls by a name."""
    return posixpath.join(_shelf().location, name).lstrip("/")


def _shelf() -> Any:
    return keeping.shelf()


def _bucket() -> Any:
    return _shelf().bucket


def _client() -> Any:
    return _shelf().connection.meta.client


def _access() -> dict[str, str]:
    """Who may read an object: whom the shelf says."""
    return {"ACL": _shelf().default_acl} if _shelf().default_acl else {}


def _multiparts(prefix: str) -> Iterator[dict[str, Any]]:
    """Every multipart upload that is not complete, of the keys that begin so."""
    pages = _client().get_paginator("list_multipart_uploads").paginate(Bucket=_bucket().name, Prefix=prefix)
    for page in pages:
        yield from page.get("Uploads", [])


def _abort(key: str, multipart: str) -> None:
    _client().abort_multipart_upload(Bucket=_bucket().name, Key=key, UploadId=multipart)


def _abandon(upload_id: UUID) -> None:
    key = _key(_name(upload_id))
    for multipart in list(_multiparts(key)):
        _abort(multipart["Key"], multipart["UploadId"])
    for item in _bucket().objects.filter(Prefix=key):
        item.delete()
