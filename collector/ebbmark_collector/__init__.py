"""The collector: keeps every report, judges each drive against its role and alerts before a take is lost."""
