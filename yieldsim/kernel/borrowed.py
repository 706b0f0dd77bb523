"""Arrays without an owner: views that the compiled code may pass on without counting references.

Each array handed from one compiled function to another costs an atomic increment and decrement of its reference count,
far more than the arithmetic between the calls, and two threads that share an array then wait for each other. The
caller of the entry point holds every array for as long as it runs, so the counts are not needed.
"""

from yieldsim.kernel.compiled import INTERPRETED


def borrowed(array):
    """Return a view of a C-contiguous array that carries no owner; without compilation, the array itself."""
    return array


if not INTERPRETED:
    import numba as nb
    from numba import types
    from numba.core import cgutils
    from numba.extending import intrinsic, overload

    @intrinsic
    def _pointer(typingctx, address):
        """Turn an integer address into a pointer."""

        def codegen(context, builder, signature, args):
            return builder.inttoptr(args[0], cgutils.voidptr_t)

        return types.voidptr(types.intp), codegen

    @overload(borrowed)
    def _borrowed(array):
        if not isinstance(array, types.Array):
            return lambda array: array
        dtype = array.dtype

        def view(array):
            return nb.carray(_pointer(array.ctypes.data), array.shape, dtype)  # type: ignore[attr-defined, call-arg]

        return view
