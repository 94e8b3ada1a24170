"""What holds for all rotations, poses and twists."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from handfast.geometry import rigid

small = st.floats(-2.0, 2.0)
vectors = arrays(float, 3, elements=small)
# Up to just under half a turn, where the logarithm is one and only.
turns = vectors.filter(lambda v: np.linalg.norm(v) < np.pi - 1e-6)
poses = st.builds(lambda w, p: rigid.pose(rigid.rotation_of(w), p), turns, vectors)


@given(turns)
def test_a_rotation_is_one_and_comes_back(w):
    """Rᵀ R = 1, det R = 1, and its vector is the one it came from."""
    R = rigid.rotation_of(w)
    assert R.T @ R == pytest.approx(np.eye(3), abs=1e-14)
    assert np.linalg.det(R) == pytest.approx(1.0)
    assert rigid.rotation_vector(R) == pytest.approx(w, abs=1e-9)


@given(poses, poses)
def test_poses_form_a_group(A, B):
    """X⁻¹ X = 1 and (A B)⁻¹ = B⁻¹ A⁻¹."""
    assert rigid.inverse(A) @ A == pytest.approx(np.eye(4), abs=1e-14)
    assert rigid.inverse(A @ B) == pytest.approx(rigid.inverse(B) @ rigid.inverse(A), abs=1e-13)


@given(poses)
def test_a_twist_leads_where_it_came_from(X):
    """exp log X = X."""
    assert rigid.pose_of(rigid.twist_of(X)) == pytest.approx(X, abs=1e-9)


@given(turns, vectors)
def test_a_pose_gives_its_twist_back(w, v):
    """log exp V = V."""
    twist = np.concatenate([w, v])
    assert rigid.twist_of(rigid.pose_of(twist)) == pytest.approx(twist, abs=1e-7)


@given(poses, poses, turns, vectors)
def test_the_adjoint_carries_twists_along(A, B, w, v):
    """Ad(A B) = Ad(A) Ad(B), and A exp(V) A⁻¹ = exp(Ad(A) V)."""
    assert rigid.adjoint(A @ B) == pytest.approx(rigid.adjoint(A) @ rigid.adjoint(B), abs=1e-12)
    twist = np.concatenate([w, v])
    assert A @ rigid.pose_of(twist) @ rigid.inverse(A) == pytest.approx(
        rigid.pose_of(rigid.adjoint(A) @ twist), abs=1e-11
    )


@given(poses, poses, st.floats(0.0, 1.0))
def test_the_way_between_is_even(A, B, t):
    """At t the turn is t of the whole and the position on the straight line."""
    X = rigid.between(A, B, t)
    whole = rigid.rotation_vector(A[:3, :3].T @ B[:3, :3])
    part = rigid.rotation_vector(A[:3, :3].T @ X[:3, :3])
    assert part == pytest.approx(t * whole, abs=1e-7)
    assert X[:3, 3] == pytest.approx((1 - t) * A[:3, 3] + t * B[:3, 3], abs=1e-14)


@given(arrays(float, (4, 3), elements=small))
def test_many_at_once_are_many_one_by_one(w):
    """Leading axes are free."""
    assert rigid.rotation_of(w) == pytest.approx(np.array([rigid.rotation_of(x) for x in w]), abs=1e-15)
    R = rigid.rotation_of(w)
    assert rigid.rotation_vector(R) == pytest.approx(np.array([rigid.rotation_vector(x) for x in R]), abs=1e-15)
