"""The fuzzer by cost: what it finds is within its bounds, and it finds what is planted."""

from random import Random

from flask import Flask, request

from tests.outside import cost
from tests.outside._inputs import Input, Pairs, mutated
from tests.outside.cost import CALLS, Effort, Target, by_calls, hunt
from tests.outside.demo_instance import Known


def a_planted_endpoint() -> Flask:
    """An endpoint that compares each field of a body with each of its other fields."""
    app = Flask("planted")

    @app.post("/planted")
    def compare() -> str:
        names = list(request.get_json())
        return str(sum(one.startswith(other) for one in names for other in names))

    return app


def test_every_kind_of_request_costs_no_more_than_its_size_allows() -> None:
    assert [row for row in cost.measure(short=True) if not row.met] == []


def test_a_planted_endpoint_of_quadratic_cost_is_found() -> None:
    target, rng = Target(a_planted_endpoint().test_client()), Random(3)
    bound, nothing = CALLS["document"], Known({}, (), {})
    begin = Input("document", "post", "/planted", Pairs([("chip", "x")]))

    def spend(one: Input) -> float:
        return by_calls(target.act(one), bound.of(one.size))

    assert spend(begin) < 0.1 * bound.of(begin.size)
    found = hunt([begin], spend, bound, lambda one: changed(one, rng, nothing), rng, Effort(60, 0))
    assert found[0].share > 1
    assert found[0].input.size < 30_000


def changed(one: Input, rng: Random, known: Known) -> Input:
    """Without the grammar, which the planted endpoint does not have."""
    return mutated(one, rng, known, 30_000, with_grammar=False)
