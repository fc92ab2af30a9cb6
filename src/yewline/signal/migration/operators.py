"""Migration as a linear operator: modelling one way, migration as its exact transpose the other."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from yewline._check import check_array
from yewline.errors import InputError

__all__ = ["MigrationOperator"]

Real = npt.NDArray[Any]


@dataclass(frozen=True, eq=False)
class MigrationOperator:
    """Modelling of traces from an image, and migration as its exact transpose.

    `scipy.sparse.linalg.aslinearoperator` takes it as it is, so that least-squares solvers can use it.

    Attributes
    ----------
    image_shape : of what `apply` takes.
    data_shape : (T, S) of what `adjoint` takes.
    dtype : float32 or float64, of both.

    Examples
    --------
    >>> double = MigrationOperator((2, 2), (2, 2), np.dtype(float), lambda m: 2 * m, lambda d: 2 * d)
    >>> double.shape, double.matvec(np.ones(4)).tolist()
    ((4, 4), [2.0, 2.0, 2.0, 2.0])
    """

    image_shape: tuple[int, ...]
    data_shape: tuple[int, int]
    dtype: np.dtype[Any]
    model: Callable[[Real], Real]
    migrate: Callable[[Real], Real]

    @property
    def shape(self) -> tuple[int, int]:
        """Samples of the data, points of the image."""
        return math.prod(self.data_shape), math.prod(self.image_shape)

    def apply(self, image: npt.ArrayLike) -> Real:
        """Model: the traces (T, S) that an image would be recorded as.

        Raises
        ------
        InputError : an image of another shape, or not finite.
        """
        return self.model(self._checked(image, "image", self.image_shape))

    def adjoint(self, data: npt.ArrayLike) -> Real:
        """Migrate: the image of traces (T, S); the exact transpose of `apply`.

        Raises
        ------
        InputError : traces of another shape, or not finite.
        """
        return self.migrate(self._checked(data, "data", self.data_shape))

    def matvec(self, image: npt.ArrayLike) -> Real:
        """`apply` on flat arrays."""
        return self.apply(np.reshape(np.asarray(image), self.image_shape)).ravel()

    def rmatvec(self, data: npt.ArrayLike) -> Real:
        """`adjoint` on flat arrays."""
        return self.adjoint(np.reshape(np.asarray(data), self.data_shape)).ravel()

    def _checked(self, values: npt.ArrayLike, name: str, shape: tuple[int, ...]) -> Real:
        given: Real = check_array(values, name, ndim=len(shape), dtype=self.dtype)
        if given.shape != shape:
            raise InputError(f"{name} must have the operator's shape {shape}", received=f"shape {given.shape}")
        return given
