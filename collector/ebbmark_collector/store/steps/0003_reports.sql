CREATE TABLE report_ids (
  report_id {T} PRIMARY KEY,
  subject_id {T} NOT NULL,
  made_ms {I} NOT NULL
) {KEYED};
CREATE TABLE reports (
  subject_id {T} NOT NULL,
  made_ms {I} NOT NULL,
  report_id {T} NOT NULL,
  kind {T} NOT NULL,
  host_id {T} NOT NULL,
  received_ms {I} NOT NULL,
  sequence {I} NOT NULL,
  wire_version {I} NOT NULL,
  document {B} NOT NULL,
  PRIMARY KEY (subject_id, made_ms, report_id)
) {MONTHLY};
CREATE TABLE report_days (
  subject_id {T} NOT NULL,
  day {I} NOT NULL,
  documents {B} NOT NULL,
  PRIMARY KEY (subject_id, day)
) {TABLE};
CREATE TABLE health_days (
  drive_id {T} NOT NULL,
  day {I} NOT NULL,
  read_ms {I} NOT NULL,
  state {T} NOT NULL,
  temperature_c {F},
  hottest_c {F},
  percentage_used {I},
  available_spare_percent {I},
  written_bytes {I},
  power_on_hours {I},
  media_errors {I},
  reallocated_sectors {I},
  pending_sectors {I},
  uncorrectable_errors {I},
  interface_crc_errors {I},
  reading {B},
  readings {I} NOT NULL,
  PRIMARY KEY (drive_id, day)
) {KEYED}
