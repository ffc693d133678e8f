"""Speaks to the service from Python, with nothing of ours but the contract.

    python -m venv venv && venv/bin/pip install -r requirements.txt
    venv/bin/python -m grpc_tools.protoc -I ../../../../proto --python_out=. --grpc_python_out=. \
        ../../../../proto/wheeltap/v1/*.proto
    venv/bin/python defects.py 127.0.0.1:7417 "ZVR 4102"

Prints the alerts that stand, reports a defect of a unit, and prints every change of a defect.
"""

import sys

import grpc

from wheeltap.v1 import alerts_pb2, alerts_pb2_grpc, common_pb2, defects_pb2, defects_pb2_grpc


# Who acts, as people read it beside what was done.
WHO = "crew desk"


def standing(channel):
    """Alerts that stand now, as the first messages of a watch; it ends when nothing is left for now."""
    watch = alerts_pb2_grpc.AlertServiceStub(channel).WatchAlerts(alerts_pb2.WatchAlertsRequest())
    for message in watch:
        if message.HasField("up_to_date"):
            watch.cancel()
            return
        if message.HasField("change"):
            yield message.change.alert


def report(channel, unit):
    """A crew report; the same request id again would give the same defect, not a second one."""
    defect = defects_pb2.Defect(
        unit=f"units/{unit}",
        component="horn",
        title="Horn weak",
        priority=common_pb2.PRIORITY_MEDIUM,
        origin=defects_pb2.DEFECT_ORIGIN_CREW_REPORT,
    )
    request = defects_pb2.ReportDefectRequest(defect=defect, request_id="horn of today")
    stub = defects_pb2_grpc.DefectServiceStub(channel)
    return stub.ReportDefect(request, metadata=[("wheeltap-person-bin", WHO.encode())])


def changes(channel, cursor=""):
    """Pages of changes; store `cursor` with what was made of them to take each exactly once."""
    stub = defects_pb2_grpc.DefectServiceStub(channel)
    while True:
        page = stub.ListDefectChanges(defects_pb2.ListDefectChangesRequest(cursor=cursor))
        yield page.changes
        cursor = page.cursor
        if not page.more:
            return


def main(address, unit):
    with grpc.insecure_channel(address) as channel:
        for alert in standing(channel):
            print("alert", alert.name, alert.unit, alert.title, sep="\t")
        defect = report(channel, unit)
        print("reported", defect.name, defect.unit, defect.title, sep="\t")
        for page in changes(channel):
            for change in page:
                kind = defects_pb2.DefectChange.Kind.Name(change.kind)
                print("change", change.defect.name, kind, change.number, sep="\t")
        try:
            report(channel, "none")
        except grpc.RpcError as error:
            print("refused", error.code().name, error.details(), sep="\t")


if __name__ == "__main__":
    main(*sys.argv[1:3])
