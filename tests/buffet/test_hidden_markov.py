"""The two-state hidden Markov model, held to hmmlearn on the same data."""

import numpy as np
import pytest
from hmmlearn.hmm import GaussianHMM
from numpy.typing import NDArray

from buffet.switching.hidden_markov import (
    FEW_RECORDS,
    fit_two_states,
    likeliest_path,
    one_state_log_likelihood,
    posterior,
)

Array = NDArray[np.float64]


def planted(n: int, seed: int, leaving: float = 0.05) -> tuple[Array, NDArray[np.bool_]]:
    """Samples of two states of means -1 and 1.5, standard deviations 0.6 and 1.2; the states."""
    rng = np.random.default_rng(seed)
    state = np.cumsum(rng.random(n) < leaving) % 2 == 1
    return np.where(state, 1.5, -1.0) + rng.standard_normal(n) * np.where(state, 1.2, 0.6), state


def reference(samples: Array) -> GaussianHMM:
    """By maximum likelihood, without hmmlearn's priors, the lower state first."""
    model = GaussianHMM(
        2,
        "diag",
        min_covar=1e-9,
        covars_prior=0,
        covars_weight=0,
        n_iter=500,
        tol=1e-7,
        init_params="",
    )
    model.startprob_, model.transmat_ = np.full(2, 0.5), np.array([[0.9, 0.1], [0.1, 0.9]])
    model.means_, model.covars_ = np.array([[-1.0], [1.0]]), np.ones((2, 1))
    model.fit(samples[:, None])
    assert model.means_[0] < model.means_[1]
    return model


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_fit_likelihood_and_path_are_those_of_hmmlearn(seed: int) -> None:
    """Parameters, likelihood, chances and Viterbi path."""
    samples, state = planted(900, seed)
    other = reference(samples)
    ours = fit_two_states(samples[None], iterations=500)
    assert ours.mean[0] == pytest.approx(other.means_.ravel(), abs=0.01)
    assert ours.variance[0] == pytest.approx(other.covars_.ravel(), rel=0.01)
    assert ours.stay[0] == pytest.approx(np.diag(other.transmat_), abs=0.002)
    assert ours.log_likelihood[0] == pytest.approx(other.score(samples[:, None]), abs=0.02)
    chance = posterior(samples[None], ours).upper[0]
    assert chance == pytest.approx(other.predict_proba(samples[:, None])[:, 1], abs=0.02)
    path = likeliest_path(samples[None], ours)[0]
    assert np.mean(path != other.predict(samples[:, None])) < 0.005
    assert np.mean(path != state) < 0.04


def test_likelihood_of_a_given_model_is_that_of_hmmlearn() -> None:
    """Without fitting: to rounding, far samples among them."""
    samples, _ = planted(400, 4)
    samples[[50, 51, 200]] = [40.0, -70.0, 300.0]
    models = fit_two_states(samples[None], iterations=3)
    other = GaussianHMM(2, "diag")
    other.startprob_, other.transmat_ = models.start[0], np.empty((2, 2))
    first, second = models.stay[0]
    other.transmat_ = np.array([[first, 1 - first], [1 - second, second]])
    other.means_, other.covars_ = models.mean[0][:, None], models.variance[0][:, None]
    found = posterior(samples[None], models)
    assert found.log_likelihood[0] == pytest.approx(other.score(samples[:, None]), rel=1e-9)
    assert found.upper[0] == pytest.approx(other.predict_proba(samples[:, None])[:, 1], abs=1e-6)


def test_records_fitted_together_are_fitted_as_alone() -> None:
    """Each stops when it gains no more, whatever the others do; many go step by step together."""
    kinds = [(seed, leaving) for seed in range(1, FEW_RECORDS) for leaving in (0.2, 0.02)]
    records = np.array([planted(300, seed, leaving)[0] for seed, leaving in kinds])
    together = fit_two_states(records)
    for i in range(len(records)):
        alone = fit_two_states(records[i : i + 1])
        assert alone.mean[0] == pytest.approx(together.mean[i], abs=1e-12)
        assert alone.log_likelihood[0] == pytest.approx(together.log_likelihood[i], abs=1e-9)


def test_one_state_has_the_likelihood_of_independent_gaussian_samples() -> None:
    """By scipy's normal density at the fitted mean and spread."""
    from scipy.stats import norm

    samples, _ = planted(200, 5)
    expected = norm.logpdf(samples, samples.mean(), samples.std()).sum()
    assert one_state_log_likelihood(samples[None])[0] == pytest.approx(expected)
