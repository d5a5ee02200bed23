"""What a fail tells the technician: where to look, nearest cause first, and what comes out in which order."""

from __future__ import annotations

import hashlib
import tomllib

import pytest

from verifier.commands.mending import look_at, part_to_open, way_in
from verifier.declare.order import RepairOrder, Replaced
from verifier.declare.plan import Plan, make_plan
from verifier.declare.suite import Suite

TEXT = """
schema = 1
model = "marrowby-quayside"
title = "Quayside counter terminal"
revision = 1
[parts.main-board]
title = "Main board, seven screws"
reached_through = ["io-board", "radio-module"]
joints = ["usb-2", "antenna-left"]
[parts.io-board]
title = "Connector board, six screws"
reached_through = ["rear-cover"]
joints = ["usb-2"]
[parts.radio-module]
title = "Radio module"
reached_through = ["rear-cover"]
joints = ["antenna-left"]
[parts.rear-cover]
title = "Rear cover, gasket"
[joints.usb-2]
title = "Port 2"
[joints.antenna-left]
title = "Left antenna lead"
[[checks]]
id = "both"
title = "Both"
prompt = "count"
say = "How many?"
covers = ["usb-2", "antenna-left"]
[[checks]]
id = "label"
title = "Label"
prompt = "scan"
say = "Scan."
"""


@pytest.fixture
def plan() -> Plan:
    suite = Suite.model_validate(tomllib.loads(TEXT))
    order = RepairOrder(replaced=(Replaced(part="radio-module"),))
    return make_plan(suite, TEXT, hashlib.sha256(TEXT.encode()).hexdigest(), order)


def test_what_the_repair_disturbed_is_looked_at_first(plan: Plan) -> None:
    said = look_at(plan, plan.suite.check("both"))
    assert said == "look at Left antenna lead (disturbed by this repair), then Port 2"
    assert look_at(plan, plan.suite.check("label")) == ""


def test_the_nearest_part_is_opened_and_the_cover_comes_first(plan: Plan) -> None:
    assert part_to_open(plan.suite, plan.suite.check("both")) == "io-board"
    assert part_to_open(plan.suite, plan.suite.check("label")) is None
    assert way_in(plan.suite, "main-board") == "Rear cover, Connector board, Radio module, Main board"
