import numpy as np
import pytest
from hypothesis import given, settings

from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.estimate.small_sample import (
    FORMS,
    Bell,
    BellPrior,
    Form,
    FormPosterior,
    Shape,
    ShapePrior,
    UsualSpreadPrior,
    VaguePrior,
    deviations_at,
    fit_forms,
    fit_shape,
    form_chances,
    generalised_log_gamma,
    survival,
)
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import COUNT_OFFSET, VOLTAGE_OFFSET
from kbapi.stats.start.blend import LimitPosterior, fit_posterior
from kbapi.stats.start.pool import fit_pool
from tests.stats import slow
from tests.stats.makers import a_pool, reports

ROWS = [(10, 12, 3.0), (14, 15, 2.0), (18, 1 << 30, 4.0), (0, 11, 1.0)]
PRIOR = BellPrior(Bell(90.0, 15.0), Bell(3.0, 0.3))


@pytest.mark.parametrize("shape", Shape)
def test_each_share_is_the_formula(shape):
    depths = np.array([1.0, 60.0, 100.0, 140.0, 1e5])
    found = survival(shape, (depths - 100.0) / 25.0)
    plain = [slow.survival(shape, depth, 100.0, 25.0) for depth in depths]
    assert found.tolist() == pytest.approx(plain, abs=1e-14)


@pytest.mark.parametrize("shape", Shape)
@pytest.mark.parametrize("share", [0.001, 0.1, 0.5, 0.9, 0.999])
def test_the_depth_of_a_share_has_that_share(shape, share):
    assert survival(shape, np.array([deviations_at(shape, share)]))[0] == pytest.approx(share)


@pytest.mark.parametrize("shape", Shape)
def test_mean_and_standard_deviation_are_those_of_the_shape(shape):
    shares = (np.arange(100_000) + 0.5) / 100_000
    drawn = np.array([deviations_at(shape, share) for share in shares[::20]])
    assert drawn.mean() == pytest.approx(0.0, abs=2e-3)
    assert drawn.std() == pytest.approx(1.0, abs=1e-2)


@pytest.mark.parametrize("shape", Shape)
def test_half_the_power_of_the_likelihood_is_half_the_units(shape):
    halved = a_pool([(left, right, weight / 2) for left, right, weight in ROWS])
    trusted = fit_shape(a_pool(ROWS), 5.0, VOLTAGE_OFFSET, PRIOR, shape, trust=0.5)
    plain = fit_shape(halved, 5.0, VOLTAGE_OFFSET, PRIOR, shape)
    assert trusted.weight == pytest.approx(plain.weight, abs=1e-12)
    assert trusted.log_evidence == pytest.approx(plain.log_evidence)


@pytest.mark.parametrize("shape", Shape)
def test_the_evidence_is_the_integral_over_the_whole_box(shape):
    fit = fit_shape(a_pool(ROWS), 5.0, VOLTAGE_OFFSET, PRIOR, shape)
    means = np.linspace(20, 220, 201)[:-1] + 0.5
    log_sds = np.log(5) + (np.arange(60) + 0.5) / 60 * np.log(70 / 5)
    total = 0.0
    for mean in means:
        for log_sd in log_sds:
            inside = [
                slow.survival(shape, 5.0 * left, mean, np.exp(log_sd))
                - (
                    0.0
                    if right == 1 << 30
                    else slow.survival(shape, 5.0 * right, mean, np.exp(log_sd))
                )
                for left, right, _ in ROWS
            ]
            height = sum(
                w * np.log(max(p, 1e-300)) for (*_, w), p in zip(ROWS, inside, strict=True)
            )
            point = PRIOR.log_density(np.array([mean]), np.array([log_sd]), VOLTAGE_OFFSET)[0]
            total += np.exp(height + point)
    area = 1.0 * np.log(70 / 5) / 60
    assert fit.log_evidence == pytest.approx(np.log(total * area), abs=0.02)


def test_shapes_are_averaged_by_their_posterior_probabilities():
    priors = [
        ShapePrior(shape, chance, VaguePrior())
        for shape, chance in zip(Shape, (0.5, 0.3, 0.2), strict=True)
    ]
    limit_posterior = fit_posterior(a_pool(ROWS), 5.0, VOLTAGE_OFFSET, priors, 1.0)
    odds = [
        p.chance * np.exp(part.log_evidence)
        for p, part in zip(priors, limit_posterior.parts, strict=True)
    ]
    assert limit_posterior.chances.tolist() == pytest.approx([odd / sum(odds) for odd in odds])
    assert limit_posterior.weight.sum() == pytest.approx(1.0)
    assert limit_posterior.share_at([5, 9]).shape == (2, len(limit_posterior.weight))
    level = np.array([0.3])
    depth = limit_posterior.depth_at(0.9, level)
    below = sum(
        chance * part.weight[part.depths_of(0.9) <= depth[0]].sum()
        for part, chance in zip(limit_posterior.parts, limit_posterior.chances, strict=True)
    )
    assert below == pytest.approx(0.3, abs=0.03)


SKEWNESSES = sorted({form.skewness for form in FORMS})
BODIES = [form for form in FORMS if form.weak_share == 0.0]


def form_fit(rows, scale=VOLTAGE_OFFSET, step=5.0):
    prior = UsualSpreadPrior(0.5)
    return fit_forms(a_pool(rows), step, scale, prior, form_chances(9.0), 0.9, 0.02)


def depth_of(fit, share, level):
    return float(LimitPosterior((fit,), np.ones(1)).depth_at(share, np.array([level]))[0])


def one_point(mean_mv=100.0, sd_mv=20.0):
    """Every form at one mean and spread, alike likely."""
    alike = np.full((len(FORMS), 1), 1 / len(FORMS))
    return FormPosterior(np.array([mean_mv]), np.log([sd_mv]), alike, 1.0, 1.0)


@pytest.mark.parametrize("skewness", SKEWNESSES)
def test_a_skewness_is_the_generalised_log_gamma_of_a_library(skewness):
    deviations = np.linspace(-9.0, 9.0, 721)
    plain = slow.form_share(Form(skewness), 100.0 + 20.0 * deviations, 100.0, 20.0)
    assert generalised_log_gamma(skewness, deviations) == pytest.approx(plain, abs=1e-12)


@pytest.mark.parametrize(
    ("skewness", "shape"), [(1.0, Shape.SMALLEST_EXTREME), (0.0, Shape.NORMAL)]
)
def test_the_shapes_are_members_of_the_family(skewness, shape):
    deviations = np.linspace(-6.0, 4.0, 101)
    found = generalised_log_gamma(skewness, deviations)
    assert found == pytest.approx(survival(shape, deviations.copy()), abs=1e-12)
    mirrored = generalised_log_gamma(-skewness, -deviations)
    assert mirrored == pytest.approx(1.0 - found, abs=1e-12)


def test_each_table_is_its_form():
    steps = np.arange(1, 400)
    found = one_point().share_at(steps)
    for number, form in enumerate(FORMS):
        plain = slow.form_share(form, steps.astype(float), 100.0, 20.0)
        assert found[:, number] == pytest.approx(plain, abs=2e-5)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.5, 0.9, 0.95, 0.99])
def test_the_depth_of_a_share_has_that_share_under_every_form(share):
    for form, depth in zip(FORMS, one_point().depths_of(share), strict=True):
        assert slow.form_share(form, depth, 100.0, 20.0) == pytest.approx(share, abs=1e-5)


@pytest.mark.parametrize("form", BODIES)
def test_the_main_body_of_a_form_has_the_mean_and_spread_of_its_point(form):
    deviations = np.linspace(-16.0, 16.0, 64_001)
    share = generalised_log_gamma(form.skewness, deviations)
    middle, mass = (deviations[1:] + deviations[:-1]) / 2, -np.diff(share)
    assert mass @ middle == pytest.approx(0.0, abs=1e-4)
    assert mass @ middle**2 == pytest.approx(1.0, abs=1e-3)


def test_the_chances_of_the_forms_sum_to_one_and_none_is_impossible():
    assert form_chances(9.0).sum() == pytest.approx(1.0)
    assert form_chances(9.0).min() > 0.0
    assert len(set(FORMS)) == len(FORMS) == len(form_chances(9.0))


WEAK_ROWS = [
    (0, 8, 1.0),
    (5, 6, 1.0),
    (15, 17, 2.0),
    (18, 20, 4.0),
    (21, 22, 5.0),
    (24, 26, 2.5),
    (20, NEVER_FAILED, 1.0),
]


@pytest.mark.parametrize("rows", [WEAK_ROWS, ROWS[:1]])
def test_the_posterior_of_the_forms_is_that_of_a_dense_grid(rows):
    fit = form_fit(rows)
    plain = slow.FormGrid.of(
        rows, 5.0, VOLTAGE_OFFSET, trust=0.9, contamination=0.02, spread=(20.0, 0.5)
    )
    assert fit.weight.sum() == pytest.approx(1.0)
    by_form = fit.chances.sum(axis=1)
    assert by_form == pytest.approx(plain.by_form(form_chances(9.0)), abs=0.01)
    for share, level in [(0.9, 0.05), (0.95, 0.05), (0.5, 0.1), (0.9, 0.95)]:
        depth_mv = 5.0 * depth_of(fit, share, level)
        slowly = plain.depth_mv(form_chances(9.0), share, level)
        assert depth_mv == pytest.approx(slowly, abs=2.5)


def test_a_group_before_the_others_makes_the_forms_with_a_weak_group_likely():
    weak = np.array([form.weak_share > 0.0 for form in FORMS])
    bell = (0.5, 2.0, 4.5, 7.0, 8.0, 7.0, 4.5, 2.0, 0.5)
    together = [(at, at + 1, weight) for at, weight in zip(range(12, 30, 2), bell, strict=True)]
    usual, seen = (
        form_fit(rows).chances.sum(axis=1)[weak].sum()
        for rows in (together, [*together, (9, 10, 4.0)])
    )
    assert usual < form_chances(9.0)[weak].sum() < seen
    assert seen > 2.0 * usual


@settings(max_examples=25, deadline=None)
@given(reports(deepest=30, most=10, weights=(0.5, 1.0)))
def test_order_and_grouping_of_reports_do_not_matter(rows):
    first = form_fit(rows)
    halves = [(left, right, weight / 2) for left, right, weight in rows]
    again = form_fit([*halves[::-1], *halves])
    for share in (0.9, 0.5):
        assert depth_of(first, share, 0.05) == pytest.approx(depth_of(again, share, 0.05), abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(reports(deepest=30, most=10, weights=(0.5, 1.0, 9.0)))
def test_a_larger_share_never_lies_deeper(rows):
    fit = form_fit(rows)
    for level in (0.01, 0.05, 0.5, 0.95):
        shares = (0.995, 0.99, 0.95, 0.9, 0.75, 0.5, 0.25, 0.1)
        depths = [depth_of(fit, share, level) for share in shares]
        assert np.all(np.diff(depths) >= 0.0)


def test_the_expected_share_is_the_mean_over_all_distributions():
    fit, steps = form_fit(WEAK_ROWS), np.array([0, 3, 12, 20, 26, NEVER_FAILED])
    plain = fit.share_at(steps) @ fit.weight
    assert fit.expected_share_at(steps) == pytest.approx(plain, abs=1e-5)
    assert plain[0] == pytest.approx(1.0, abs=1e-6)
    assert plain[-1] == 0.0
    assert fit.expected_share_at([fit.deepest()])[0] < 1e-3


def test_counts_have_the_answers_of_millivolts_in_units_of_their_own():
    in_mv, in_counts = form_fit(WEAK_ROWS), form_fit(WEAK_ROWS, COUNT_OFFSET, 1.0)
    for share in (0.9, 0.5):
        assert depth_of(in_mv, share, 0.05) == pytest.approx(
            depth_of(in_counts, share, 0.05), abs=1e-3
        )


@pytest.mark.parametrize("far", [30, 34, 40])
@pytest.mark.parametrize("has_failed", [True, False])
def test_one_unit_that_is_far_better_moves_a_start_shallower_by_at_most_5_mv(far, has_failed):
    def start_mv(limits, better=()):
        rows = [(int(limit), int(limit) + 1, 1.0) for limit in limits]
        pool = fit_pool(a_pool([*rows, *better]), Siblings(), 5.0, VOLTAGE_OFFSET)
        return 5.0 * float(pool.bound.ends(0.9, np.array([0.05])).shallow[0])

    one = (far, far + 1 if has_failed else NEVER_FAILED, 1.0)
    for seed in range(6):
        rng = np.random.default_rng(seed)
        for limits_mv in (rng.normal(110, 20, 19), 140 - rng.gamma(2, 12, 19)):
            limits = np.maximum(limits_mv // 5, 1)
            assert start_mv(limits, [one]) >= start_mv(limits) - 5.0


def test_one_weak_unit_of_eleven_is_never_explained_away():
    alike = [(18 + place % 3, 19 + place % 3, 1.0) for place in range(10)]
    without = depth_of(form_fit(alike), 0.9, 0.05)
    assert depth_of(form_fit([*alike, (4, 5, 1.0)]), 0.9, 0.05) < without - 4.0
    assert depth_of(form_fit([*alike, (36, 37, 1.0)]), 0.9, 0.05) > without - 1.0
