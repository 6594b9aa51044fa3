"""One drive judged over time, and beside its siblings: pure functions of stored history, role and `now`.

    stand(history, role, now) -> Standing
    outlook(history, role, now) -> Outlook
    compare(history, role, now) -> Cohort
    causes(history, role, standing, outlook, now) -> tuple[Cause, ...]
    outlook.plan(outlooks) -> tuple[Replacement, ...]      (a replacement plan by month)

`role` is a `roles.DriveRole` or None where none is assigned. What goes in is in `history`, what comes out in
`findings`.
"""
