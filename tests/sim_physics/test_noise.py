"""Noise by key."""

from __future__ import annotations

import numpy as np

from hilkit.sim.noise import fixed_error, generator, table_errors, white


def test_the_same_seed_and_key_give_the_same_numbers_whatever_was_drawn_before() -> None:
    first = generator(1, "analyser", ("step", 2)).standard_normal(5)
    generator(1, "analyser", ("other", 1)).standard_normal(1000)
    assert np.array_equal(generator(1, "analyser", ("step", 2)).standard_normal(5), first)


def test_another_seed_instrument_step_or_number_gives_other_numbers() -> None:
    keys = [
        (1, "a", ("s", 1)),
        (2, "a", ("s", 1)),
        (1, "b", ("s", 1)),
        (1, "a", ("t", 1)),
        (1, "a", ("s", 2)),
    ]
    drawn = {float(generator(*key).standard_normal()) for key in keys}
    assert len(drawn) == len(keys)


def test_streams_of_neighbouring_keys_do_not_resemble_each_other() -> None:
    streams = np.array([generator(1, "analyser", ("s", n)).standard_normal(4000) for n in range(20)])
    correlation = np.corrcoef(streams) - np.eye(20)
    assert np.abs(correlation).max() < 5 / np.sqrt(4000)


def test_errors_per_code_keep_their_bound_and_spread() -> None:
    errors = table_errors(5, "pad", count=2000, sd=0.1, bound=0.25)
    assert np.abs(errors).max() <= 0.25
    assert 0.09 < errors.std() < 0.105


def test_a_fixed_error_stays() -> None:
    assert fixed_error(5, "filter", 1e5, sd=0.03) == fixed_error(5, "filter", 1e5, sd=0.03)


def test_white_noise_has_unit_power() -> None:
    assert abs(np.mean(np.abs(white(generator(1, "w"), 100_000)) ** 2) - 1) < 0.02
