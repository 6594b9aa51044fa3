"""Every list the API shows, with its columns."""

from ebbmark_collector.store.listing import Column, Kind, Listing

STANDINGS = ("fit", "marginal", "unfit", "unproven")
SEVERITIES = ("warning", "minor", "major", "critical")
PRESENCES = ("fixed", "comes_and_goes", "on_loan")
PROBE_KINDS = ("spot", "soak", "rehearsal", "copy", "read")

_URGENCY = """(d.worst_severity * 10 + CASE d.standing WHEN 'unfit' THEN 3 WHEN 'marginal' THEN 2
                                                       WHEN 'unproven' THEN 1 ELSE 0 END)"""

DRIVES = Listing(
    name="drives",
    source="drives d LEFT JOIN hosts h ON h.host_id = d.host_id",
    key="drive_id",
    sort="-urgency",
    wide=True,
    columns=(
        Column(name="drive_id", sql="d.drive_id"),
        Column(name="urgency", kind=Kind.NUMBER, sql=_URGENCY),
        Column(name="kind", sql="d.kind", words=("drive", "array")),
        Column(name="label", sql="d.label", nullable=True, searched=True),
        Column(name="asset_tag", sql="d.asset_tag", nullable=True, searched=True),
        Column(name="model", sql="d.model", nullable=True, searched=True),
        Column(name="firmware", sql="d.firmware", nullable=True),
        Column(name="serial", sql="d.serial", nullable=True, searched=True),
        Column(name="confidence", sql="d.confidence", words=("own", "reader", "none")),
        Column(name="capacity_bytes", kind=Kind.NUMBER, sql="d.capacity_bytes", nullable=True),
        Column(name="bus", sql="d.bus", nullable=True),
        Column(name="removable", kind=Kind.TRUTH, sql="d.removable"),
        Column(name="host_id", sql="d.host_id", nullable=True),
        Column(name="host_name", sql="h.name", nullable=True, searched=True),
        Column(name="place", sql="d.place", nullable=True, searched=True),
        Column(name="kit", sql="d.kit", nullable=True),
        Column(name="presence", sql="d.presence", words=PRESENCES),
        Column(name="role", sql="d.role", nullable=True),
        Column(name="standing", sql="d.standing", words=STANDINGS),
        Column(name="standing_since", kind=Kind.TIME, sql="d.standing_since_ms", nullable=True),
        Column(name="floor_bytes_per_s", kind=Kind.NUMBER, sql="d.floor_bytes_per_s", nullable=True),
        Column(name="demand_bytes_per_s", kind=Kind.NUMBER, sql="d.demand_bytes_per_s", nullable=True),
        Column(name="evidence_at", kind=Kind.TIME, sql="d.evidence_ms", nullable=True),
        Column(name="valid_until", kind=Kind.TIME, sql="d.valid_until_ms", nullable=True),
        Column(name="open_alerts", kind=Kind.NUMBER, sql="d.open_alerts"),
        Column(name="last_seen_at", kind=Kind.TIME, sql="d.last_seen_ms"),
        Column(name="last_probe_at", kind=Kind.TIME, sql="d.last_probe_ms", nullable=True),
        Column(name="last_soak_at", kind=Kind.TIME, sql="d.last_soak_ms", nullable=True),
        Column(name="last_health_at", kind=Kind.TIME, sql="d.last_health_ms", nullable=True),
        Column(name="temperature_c", kind=Kind.NUMBER, sql="d.temperature_c", nullable=True),
        Column(name="percentage_used", kind=Kind.NUMBER, sql="d.percentage_used", nullable=True),
        Column(name="retired_at", kind=Kind.TIME, sql="d.retired_ms", nullable=True),
    ),
)

HOSTS = Listing(
    name="hosts",
    source="hosts",
    key="host_id",
    sort="name",
    columns=(
        Column(name="host_id"),
        Column(name="name", searched=True),
        Column(name="system", searched=True),
        Column(name="state", words=("enrolled", "retired")),
        Column(name="presence", words=PRESENCES),
        Column(name="agent_version", nullable=True),
        Column(name="enrolled_at", kind=Kind.TIME, sql="enrolled_ms"),
        Column(name="last_report_at", kind=Kind.TIME, sql="last_report_ms", nullable=True),
        Column(name="clock_offset_s", kind=Kind.NUMBER, nullable=True),
        Column(name="writes_allowed", kind=Kind.TRUTH),
        Column(name="probing_enabled", kind=Kind.TRUTH),
        Column(name="show", kind=Kind.TRUTH, sql="show_mode"),
        Column(name="on_air", kind=Kind.TRUTH),
        Column(
            name="drives",
            kind=Kind.NUMBER,
            sql="(SELECT COUNT(*) FROM drives d WHERE d.host_id = hosts.host_id)",
        ),
        Column(name="notes", nullable=True, filters=False, sorts=False),
    ),
)

PROBES = Listing(
    name="probes",
    source="probes",
    key="probe_id",
    sort="-started_at",
    columns=(
        Column(name="probe_id"),
        Column(name="drive_id", sorts=False),
        Column(name="host_id", sorts=False),
        Column(name="volume_id", nullable=True, sorts=False),
        Column(name="kind", words=PROBE_KINDS, sorts=False),
        Column(name="outcome", words=("completed", "gave_way", "failed", "cancelled"), sorts=False),
        Column(name="started_at", kind=Kind.TIME, sql="started_ms"),
        Column(name="duration_s", kind=Kind.NUMBER),
        Column(name="bytes_written", kind=Kind.NUMBER),
        Column(name="read_back_ok", kind=Kind.TRUTH, nullable=True),
        Column(name="path_key", sorts=False),
        Column(name="layout", sorts=False),
        Column(name="file_system", sorts=False),
        Column(name="fill_start", kind=Kind.NUMBER, nullable=True),
        Column(name="fill_end", kind=Kind.NUMBER, nullable=True),
        Column(name="rest_before_s", kind=Kind.NUMBER, nullable=True),
        Column(name="temperature_hottest_c", kind=Kind.NUMBER, nullable=True),
        Column(name="floor_bytes_per_s", kind=Kind.NUMBER, nullable=True),
        Column(name="lasting_bytes_per_s", kind=Kind.NUMBER, nullable=True),
        Column(name="mean_bytes_per_s", kind=Kind.NUMBER, nullable=True),
        Column(name="cliff_at_bytes", kind=Kind.NUMBER, nullable=True),
        Column(name="settled", kind=Kind.TRUTH, nullable=True),
        Column(name="path_limited", kind=Kind.TRUTH),
        Column(name="standing", nullable=True, words=STANDINGS, sorts=False),
        Column(name="gave_way_to", nullable=True, filters=False, sorts=False),
        Column(name="by_hand", kind=Kind.TRUTH),
        Column(name="trace_kept", kind=Kind.TRUTH),
    ),
)

ALERTS = Listing(
    name="alerts",
    source="""alerts a LEFT JOIN drives d ON d.drive_id = a.drive_id
                       LEFT JOIN hosts h ON h.host_id = a.host_id""",
    key="alert_id",
    sort="-severity_order",
    where="a.times_raised > 0",
    wide=True,
    columns=(
        Column(name="alert_id", sql="a.alert_id"),
        Column(name="condition", sql="a.condition"),
        Column(name="severity", sql="a.severity", words=SEVERITIES, sorts=False),
        Column(name="severity_order", kind=Kind.NUMBER, sql="a.severity_order"),
        Column(name="open", kind=Kind.TRUTH, sql="a.is_open"),
        Column(name="headline", sql="a.headline", searched=True, filters=False, sorts=False),
        Column(name="cause", sql="a.cause", nullable=True),
        Column(name="next_step", sql="a.next_step", filters=False, sorts=False),
        Column(name="act_by", kind=Kind.TIME, sql="a.act_by_ms", nullable=True),
        Column(name="drive_id", sql="a.drive_id", nullable=True, sorts=False),
        Column(name="host_id", sql="a.host_id", nullable=True, sorts=False),
        Column(name="host_name", sql="h.name", nullable=True, searched=True),
        Column(name="asset_tag", sql="d.asset_tag", nullable=True, searched=True),
        Column(name="role", sql="d.role", nullable=True),
        Column(name="kit", sql="d.kit", nullable=True),
        Column(name="raised_at", kind=Kind.TIME, sql="a.raised_ms", nullable=True),
        Column(name="changed_at", kind=Kind.TIME, sql="a.changed_ms"),
        Column(name="cleared_at", kind=Kind.TIME, sql="a.cleared_ms", nullable=True),
        Column(name="cleared_because", sql="a.cleared_because", nullable=True, filters=False, sorts=False),
        Column(name="times_raised", kind=Kind.NUMBER, sql="a.times_raised"),
        Column(name="fresh", kind=Kind.TRUTH, sql="a.fresh"),
        Column(name="acknowledged_by", sql="a.acknowledged_by", nullable=True),
        Column(name="acknowledged_at", kind=Kind.TIME, sql="a.acknowledged_ms", nullable=True),
        Column(name="shelved_until", kind=Kind.TIME, sql="a.shelved_until_ms", nullable=True),
    ),
)

INCIDENTS = Listing(
    name="incidents",
    source="incidents",
    key="incident_id",
    sort="-happened_at",
    columns=(
        Column(name="incident_id"),
        Column(name="drive_id", sorts=False),
        Column(name="happened_at", kind=Kind.TIME, sql="happened_ms"),
        Column(name="reported_at", kind=Kind.TIME, sql="reported_ms"),
        Column(name="reported_by"),
        Column(name="recorder", nullable=True),
        Column(name="recording_format", nullable=True),
        Column(name="sentence", filters=False, sorts=False, searched=True),
    ),
)

HOLDS = Listing(
    name="holds",
    source="holds",
    key="hold_id",
    sort="-starts_at",
    columns=(
        Column(name="hold_id"),
        Column(name="host_pattern"),
        Column(name="starts_at", kind=Kind.TIME, sql="starts_ms"),
        Column(name="ends_at", kind=Kind.TIME, sql="ends_ms"),
        Column(name="ended_early_at", kind=Kind.TIME, sql="ended_early_ms", nullable=True),
        Column(name="reason", filters=False, sorts=False, searched=True),
        Column(name="created_by"),
        Column(name="created_at", kind=Kind.TIME, sql="created_ms"),
    ),
)

PROBE_ORDERS = Listing(
    name="probe_orders",
    source="probe_orders o LEFT JOIN drives d ON d.drive_id = o.drive_id",
    key="order_id",
    sort="-created_at",
    columns=(
        Column(name="order_id", sql="o.order_id"),
        Column(name="drive_id", sql="o.drive_id", sorts=False),
        Column(name="host_id", sql="d.host_id", nullable=True, sorts=False),
        Column(name="kind", sql="o.kind", words=PROBE_KINDS, sorts=False),
        Column(name="not_before", kind=Kind.TIME, sql="o.not_before_ms"),
        Column(name="ends_at", kind=Kind.TIME, sql="o.ends_ms"),
        Column(name="max_bytes", kind=Kind.NUMBER, sql="o.max_bytes"),
        Column(name="created_by", sql="o.created_by"),
        Column(name="created_at", kind=Kind.TIME, sql="o.created_ms"),
        Column(name="withdrawn_at", kind=Kind.TIME, sql="o.withdrawn_ms", nullable=True),
        Column(name="done_at", kind=Kind.TIME, sql="o.done_ms", nullable=True),
        Column(name="probe_id", sql="o.probe_id", nullable=True),
    ),
)

ENROLMENTS = Listing(
    name="enrolments",
    source="enrolments",
    key="enrolment_id",
    sort="-asked_at",
    columns=(
        Column(name="enrolment_id"),
        Column(name="token_id"),
        Column(name="host_name", searched=True),
        Column(name="system", filters=False),
        Column(name="address"),
        Column(name="state", words=("pending", "approved", "enrolled", "refused")),
        Column(name="asked_at", kind=Kind.TIME, sql="asked_ms"),
        Column(name="decided_at", kind=Kind.TIME, sql="decided_ms", nullable=True),
        Column(name="decided_by", nullable=True),
        Column(name="host_id", nullable=True),
        Column(name="warning", nullable=True, filters=False, sorts=False),
    ),
)

ENROL_TOKENS = Listing(
    name="enrol_tokens",
    source="enrol_tokens",
    key="token_id",
    sort="-created_at",
    columns=(
        Column(name="token_id"),
        Column(name="label", searched=True),
        Column(name="quota", kind=Kind.NUMBER),
        Column(name="used", kind=Kind.NUMBER),
        Column(name="network", nullable=True),
        Column(name="approval_needed", kind=Kind.TRUTH),
        Column(name="created_at", kind=Kind.TIME, sql="created_ms"),
        Column(name="created_by"),
        Column(name="expires_at", kind=Kind.TIME, sql="expires_ms"),
        Column(name="revoked_at", kind=Kind.TIME, sql="revoked_ms", nullable=True),
    ),
)

TOKENS = Listing(
    name="tokens",
    source="tokens",
    key="token_id",
    sort="-created_at",
    columns=(
        Column(name="token_id"),
        Column(name="scope", words=("agent", "viewer", "admin")),
        Column(name="label", searched=True),
        Column(name="host_id", nullable=True),
        Column(name="created_at", kind=Kind.TIME, sql="created_ms"),
        Column(name="created_by"),
        Column(name="expires_at", kind=Kind.TIME, sql="expires_ms", nullable=True),
        Column(name="revoked_at", kind=Kind.TIME, sql="revoked_ms", nullable=True),
        Column(name="last_used_at", kind=Kind.TIME, sql="last_used_ms", nullable=True),
    ),
)

AUDIT = Listing(
    name="audit",
    source="audit",
    key="audit_id",
    sort="-at",
    columns=(
        Column(name="audit_id"),
        Column(name="at", kind=Kind.TIME, sql="at_ms"),
        Column(name="who", searched=True),
        Column(name="action"),
        Column(name="subject", searched=True),
        Column(name="detail", kind=Kind.JSON, sql="detail_json", filters=False, sorts=False),
    ),
)

ASSIGNMENTS = Listing(
    name="assignments",
    source="assignments",
    key="assignment_id",
    sort="place_in_order",
    columns=(
        Column(name="assignment_id"),
        Column(name="place_in_order", kind=Kind.NUMBER),
        Column(name="matched_by", words=("serial", "asset_tag", "mount", "model", "host")),
        Column(name="pattern", searched=True),
        Column(name="role"),
        Column(name="note", nullable=True, filters=False, sorts=False),
        Column(name="created_at", kind=Kind.TIME, sql="created_ms"),
        Column(name="rev", kind=Kind.NUMBER, filters=False, sorts=False),
    ),
)

HEALTH = Listing(
    name="health",
    source="health_days",
    key="read_at",
    sort="-read_at",
    columns=(
        Column(name="drive_id", sorts=False),
        Column(name="read_at", kind=Kind.TIME, sql="read_ms"),
        Column(name="state", sorts=False),
        Column(name="temperature_c", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="hottest_c", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="percentage_used", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="available_spare_percent", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="written_bytes", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="power_on_hours", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="media_errors", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="reallocated_sectors", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="pending_sectors", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="uncorrectable_errors", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="interface_crc_errors", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="readings", kind=Kind.NUMBER, sorts=False),
    ),
)

TAKES = Listing(
    name="takes",
    source="takes",
    key="take_id",
    sort="-started_at",
    columns=(
        Column(name="take_id"),
        Column(name="drive_id", sorts=False),
        Column(name="host_id", sorts=False),
        Column(name="started_at", kind=Kind.TIME, sql="started_ms"),
        Column(name="duration_s", kind=Kind.NUMBER, sorts=False),
        Column(name="written_bytes", kind=Kind.NUMBER, sorts=False),
        Column(name="mean_bytes_per_s", kind=Kind.NUMBER, sorts=False),
        Column(name="peak_bytes_per_s", kind=Kind.NUMBER, sorts=False),
        Column(name="busy_share", kind=Kind.NUMBER, sorts=False),
        Column(name="saturated", kind=Kind.TRUTH, sorts=False),
        Column(name="saturated_floor_bytes_per_s", kind=Kind.NUMBER, nullable=True, sorts=False),
        Column(name="path_key", sorts=False),
    ),
)
