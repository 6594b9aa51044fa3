"""The fleet in one answer: how many drives stand how, what is open, who is silent."""

from ebbmark_collector.http.operation import Call, Out, Reply, Routes
from ebbmark_collector.http.resources.alerts import AlertListed
from ebbmark_collector.http.resources.drives import DriveListed
from ebbmark_collector.store import Tx, alerting, drives, hosts, lists
from ebbmark_collector.store.listing import Filter, page

routes = Routes("fleet")


class Standings(Out):
    """Drives in service by standing. Unproven is not fit."""

    fit: int
    marginal: int
    unfit: int
    unproven: int


class OpenAlerts(Out):
    """Open alerts that are not shelved, by severity."""

    critical: int
    major: int
    minor: int
    warning: int


class FleetShown(Out):
    """The fleet at a glance, worst first."""

    hosts: int
    drives: int
    retired_drives: int
    without_role: int
    standings: Standings
    open_alerts: OpenAlerts
    shelved_alerts: int
    worst_drives: list[DriveListed]
    worst_alerts: list[AlertListed]


@routes.add("GET", "/v1/fleet", summary="The fleet at a glance", answers={200: FleetShown})
def get_fleet(call: Call) -> Reply:
    """Give the fleet at a glance."""

    def read(tx: Tx) -> FleetShown:
        counted = drives.counted(tx)
        worst, _ = page(tx, lists.DRIVES, filters=(Filter(column="retired_at", how="missing"),), limit=10)
        alerts, _ = page(
            tx,
            lists.ALERTS,
            filters=(
                Filter(column="open", how="in", values=(1,)),
                Filter(column="shelved_until", how="missing"),
            ),
            limit=10,
        )
        by_severity = alerting.open_by_severity(tx)
        return FleetShown(
            hosts=hosts.count(tx),
            drives=counted["drives"],
            retired_drives=counted["retired"],
            without_role=counted["without_role"],
            standings=Standings(
                fit=counted["fit"],
                marginal=counted["marginal"],
                unfit=counted["unfit"],
                unproven=counted["unproven"],
            ),
            open_alerts=OpenAlerts(**by_severity),
            shelved_alerts=alerting.shelved(tx),
            worst_drives=[DriveListed.model_validate(row) for row in worst],
            worst_alerts=[AlertListed.model_validate(row) for row in alerts],
        )

    return Reply(body=call.store.read(read))
