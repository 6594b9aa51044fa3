CREATE TABLE hosts (
  host_id {T} PRIMARY KEY,
  name {T} NOT NULL,
  system {T} NOT NULL,
  machine_key {T},
  state {T} NOT NULL,
  presence {T} NOT NULL,
  agent_version {T},
  enrolled_ms {I} NOT NULL,
  last_report_ms {I},
  last_sequence {I},
  clock_offset_s {F},
  writes_allowed {I} NOT NULL DEFAULT 0 CHECK (writes_allowed IN (0, 1)),
  probing_enabled {I} NOT NULL DEFAULT 0 CHECK (probing_enabled IN (0, 1)),
  show_mode {I} NOT NULL DEFAULT 0 CHECK (show_mode IN (0, 1)),
  on_air {I} NOT NULL DEFAULT 0 CHECK (on_air IN (0, 1)),
  probe_hours_json {T} NOT NULL DEFAULT '[]',
  status_json {T},
  inventory_json {T},
  notes {T},
  warned_json {T} NOT NULL DEFAULT '[]',
  rev {I} NOT NULL DEFAULT 1
) {TABLE};
CREATE INDEX hosts_by_name ON hosts (name, host_id);
CREATE INDEX hosts_by_machine ON hosts (machine_key);
CREATE INDEX hosts_by_report ON hosts (last_report_ms)
