CREATE TABLE outbox (
  message_id {T} PRIMARY KEY,
  target {T} NOT NULL,
  channel {T} NOT NULL,
  in_digest {I} NOT NULL CHECK (in_digest IN (0, 1)),
  body {T} NOT NULL,
  made_ms {I} NOT NULL,
  next_ms {I} NOT NULL,
  tries {I} NOT NULL DEFAULT 0,
  delivered_ms {I},
  given_up_ms {I},
  sentence {T} NOT NULL DEFAULT ''
) {TABLE};
CREATE INDEX outbox_by_made ON outbox (made_ms, message_id);
CREATE INDEX outbox_waiting ON outbox (next_ms) WHERE delivered_ms IS NULL AND given_up_ms IS NULL
