"""Streams depend on the study's seed and the task's names alone."""

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from homewater.running.seeds import generator, seed_sequence


def test_equal_names_give_equal_streams_whatever_was_drawn_before():
    first = generator(7, "panel", "topshell", 3).random(5)
    generator(7, "panel", "topshell", 2).random(1000)
    np.testing.assert_array_equal(first, generator(7, "panel", "topshell", 3).random(5))


@given(
    st.lists(
        st.tuples(st.integers(0, 9), st.sampled_from("ab"), st.sampled_from("xy"), st.integers(0, 3)),
        min_size=2,
        unique=True,
    )
)
def test_other_names_give_other_streams(keys):
    states = [tuple(seed_sequence(*key).generate_state(4)) for key in keys]
    assert len(set(states)) == len(keys)


def test_names_are_kept_apart():
    """("ab", "c") and ("a", "bc") are different tasks."""
    assert generator(1, "ab", "c").random() != generator(1, "a", "bc").random()


def test_streams_of_neighbouring_tasks_are_uncorrelated():
    draws = np.array([generator(0, "stage", "species", task).standard_normal(2000) for task in range(12)])
    correlation = np.corrcoef(draws)
    largest = max(abs(correlation[i, j]) for i, j in itertools.combinations(range(12), 2))
    assert largest < 5 / np.sqrt(2000)  # 66 pairs; a normal quantile beyond 5 has p below 1e-6
