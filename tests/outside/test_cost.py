"""The fuzzer by cost: what it finds is within its bounds, and it finds what is planted."""

from random import Random

from flask import Flask, request

from tests.outside import cost
from tests.outside._inputs import Input, Pairs, mutated
from tests.outside.cost import Bound, Effort, Target, by_calls, hunt
from tests.outside.demo_instance import Known


def a_planted_endpoint() -> Flask:
    """An endpoint that compares each field of a body with each of its other fields."""
    app = Flask("planted")

    @app.post("/planted")
    def compare() -> str:
        body = request.get_json()
        names = list(body) if isinstance(body, dict) else []
        return str(sum(one.startswith(other) for one in names for other in names))

    return app


def test_every_kind_of_request_costs_no_more_than_its_size_allows() -> None:
    assert [row for row in cost.measure(short=True) if not row.met] == []


def test_a_planted_endpoint_of_quadratic_cost_is_found() -> None:
    target, rng = Target(a_planted_endpoint().test_client()), Random(3)
    # A low bound makes many tries cheap. As the fuzzer, it begins with a small and a larger object.
    bound, nothing = Bound(10_000, 2_000), Known({}, (), {})
    begin = [
        Input("document", "post", "/planted", Pairs((f"field{n}", "x") for n in range(fields)))
        for fields in (1, 50)
    ]

    def spend(one: Input) -> float:
        return by_calls(target.act(one), bound.of(one.size))

    assert max(spend(one) / bound.of(one.size) for one in begin) < 0.7
    found = hunt(begin, spend, bound, lambda one: changed(one, rng, nothing), rng, Effort(150, 0))
    assert found[0].share > 1
    assert found[0].input.size < 30_000


def changed(one: Input, rng: Random, known: Known) -> Input:
    """Without the grammar, which the planted endpoint does not have."""
    return mutated(one, rng, known, 30_000, with_grammar=False)
