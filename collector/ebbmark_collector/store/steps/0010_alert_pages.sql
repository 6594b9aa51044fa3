CREATE INDEX alerts_by_severity ON alerts (severity_order, alert_id) WHERE times_raised > 0;
CREATE INDEX alerts_by_raising ON alerts (raised_ms, alert_id) WHERE times_raised > 0
