"""An ONNX file run by PyTorch: for Kokoro on an accelerator, node by node.

Only the operators that Kokoro's int8 file has. Where the file quantises what it
computes with, on the way, nothing is rounded here: its dynamic int8 steps become
float arithmetic with the int8 weights, which is a little nearer to the original
voice. Batches of one; several processes keep an accelerator busy.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from pathlib import Path
from typing import Any

import onnx
import torch
import torch.nn.functional as nn
from onnx import helper, numpy_helper

_FINE = 2.0**-16
"""Step of what would be quantised: so fine that it is not."""

_TYPES = {
    1: torch.float32, 6: torch.int32, 7: torch.int64, 9: torch.bool, 2: torch.float32,
    3: torch.float32,
}  # fmt: skip

Step = tuple[Callable[..., Any], list[int], list[int], dict[str, Any]]


def load(path: Path, device: str) -> Callable[..., torch.Tensor]:
    """A function of the graph's inputs, in order, that gives its first output.

    Integers, which are mostly shapes, stay on the processor.
    """
    graph = onnx.load(str(path)).graph
    names: dict[str, int] = {"": 0}

    def number(name: str) -> int:
        return names.setdefault(name, len(names))

    held: dict[int, torch.Tensor] = {}
    for item in graph.initializer:
        value = torch.from_numpy(numpy_helper.to_array(item).copy())
        if value.dtype in (torch.int8, torch.uint8):
            value = value.float()
        held[number(item.name)] = value.to(device) if value.is_floating_point() else value
    inputs = [number(i.name) for i in graph.input]
    steps: list[Step] = []
    for node in graph.node:
        given = {a.name: helper.get_attribute_value(a) for a in node.attribute}
        run = _OPERATORS[node.op_type]
        ins = [number(name) for name in node.input]
        steps.append((run, ins, [number(name) for name in node.output], given))
    out = number(graph.output[0].name)
    last: dict[int, int] = {}
    for at, (_, ins, _, _) in enumerate(steps):
        for i in ins:
            last[i] = at
    ends: list[list[int]] = [[] for _ in steps]
    for i, at in last.items():
        if i not in held and i != out and i:
            ends[at].append(i)

    def run_graph(*args: torch.Tensor) -> torch.Tensor:
        values: list[Any] = [None] * len(names)
        for i, value in held.items():
            values[i] = value
        for i, value in zip(inputs, args, strict=True):
            values[i] = value.to(device) if value.is_floating_point() else value
        for at, (run, ins, outs, given) in enumerate(steps):
            got = run(*[values[i] for i in ins], **given)
            if isinstance(got, tuple):
                for i, value in zip(outs, got, strict=False):
                    values[i] = value
            else:
                values[outs[0]] = got
            for i in ends[at]:
                values[i] = None
        result: torch.Tensor = values[out]
        return result

    whole: Callable[..., torch.Tensor] = torch.inference_mode()(run_graph)
    return whole


def _same(a: Any, b: Any) -> tuple[Any, Any]:
    if a.device != b.device:
        device = a.device if a.device.type != "cpu" else b.device
        return a.to(device), b.to(device)
    return a, b


def _two(run: Callable[..., Any]) -> Callable[..., Any]:
    def both(a: Any, b: Any) -> Any:
        if a.dtype == b.dtype and a.is_floating_point() and a.device == b.device:
            return run(a, b)
        a, b = _same(a, b)
        return run(a, b)

    return both


def _divide(a: Any, b: Any) -> Any:
    return a / b if a.is_floating_point() else torch.div(a, b, rounding_mode="floor")


def _ints(value: Any) -> list[int]:
    return [int(v) for v in value.tolist()]


def _reshape(x: Any, shape: Any, **_: Any) -> Any:
    sizes = [x.shape[i] if s == 0 else s for i, s in enumerate(_ints(shape))]
    return x.reshape(sizes)


def _unsqueeze(x: Any, axes: Any) -> Any:
    wanted = _ints(axes)
    rank = x.dim() + len(wanted)
    for axis in sorted(a % rank for a in wanted):
        x = x.unsqueeze(axis)
    return x


def _gather(x: Any, index: Any, axis: int = 0) -> Any:
    flat = index.reshape(-1).to(x.device)
    flat = torch.where(flat < 0, flat + x.shape[axis], flat)
    got = x.index_select(axis, flat)
    return got.reshape((*x.shape[:axis], *index.shape, *x.shape[axis + 1 :]))


def _slice(x: Any, starts: Any, ends: Any, axes: Any = None, steps: Any = None) -> Any:
    begin, stop = _ints(starts), _ints(ends)
    on = _ints(axes) if axes is not None else list(range(len(begin)))
    by = _ints(steps) if steps is not None else [1] * len(begin)
    for first, end, axis, step in zip(begin, stop, on, by, strict=True):
        s, e, size = first, end, x.shape[axis]
        if step < 0:
            x = x.flip(axis)
            s, e = (size - 1 - (s + size if s < 0 else min(s, size - 1))), size
            assert step == -1
        at: list[slice] = [slice(None)] * x.dim()
        at[axis] = slice(s, min(e, size), abs(step))
        x = x[tuple(at)]
    return x


def _conv(x: Any, w: Any, *more: Any, pads: Any = (0, 0), strides: Any = (1,),
          dilations: Any = (1,), group: int = 1, **_: Any) -> Any:  # fmt: skip
    if pads[0] != pads[1]:
        x, pads = nn.pad(x, tuple(pads)), (0, 0)
    bias = more[0] if more else None
    return nn.conv1d(x, w, bias, strides[0], pads[0], dilations[0], group)


def _conv_integer(x: Any, w: Any, _x0: Any, w0: Any, **given: Any) -> Any:
    return _conv(x, w - w0.reshape(-1, 1, 1), **given)


def _conv_transpose(x: Any, w: Any, bias: Any = None, pads: Any = (0, 0), strides: Any = (1,),
                    output_padding: Any = (0,), group: int = 1, dilations: Any = (1,),
                    **_: Any) -> Any:  # fmt: skip
    return nn.conv_transpose1d(
        x, w, bias, strides[0], pads[0], output_padding[0], group, dilations[0]
    )


def _lstm(x: Any, w: Any, r: Any, b: Any, _len: Any, h0: Any, c0: Any, _peep: Any,
          ws: Any, wz: Any, rs: Any, rz: Any, hidden_size: int = 0,
          **_: Any) -> Any:  # fmt: skip
    device = x.device

    def plain(q: Any, scale: Any, zero: Any) -> Any:
        shape = (2, 1, -1)
        got = (q - zero.reshape(shape)) * scale.reshape(shape)
        i, o, f, c = got.transpose(1, 2).split(hidden_size, 1)
        return torch.cat([i, f, c, o], 1)

    def bias(part: Any) -> Any:
        i, o, f, c = part.split(hidden_size)
        return torch.cat([i, f, c, o])

    key = (w.data_ptr(), r.data_ptr())
    if key not in _LSTM:
        ins, again = plain(w, ws, wz), plain(r, rs, rz)
        weights = []
        for way in (0, 1):
            one, two = b[way].split(4 * hidden_size)
            weights += [ins[way], again[way], bias(one), bias(two)]
        _LSTM[key] = [p.contiguous().to(device) for p in weights]
    start = (h0.to(device), c0.to(device))
    y, h, c = torch.lstm(x, start, _LSTM[key], True, 1, 0.0, False, True, False)
    seq, batch, _ = y.shape
    return y.reshape(seq, batch, 2, hidden_size).transpose(1, 2), h, c


_LSTM: dict[Any, list[torch.Tensor]] = {}


def _layer_norm(x: Any, w: Any, b: Any, epsilon: float = 1e-5, **_: Any) -> Any:
    return nn.layer_norm(x, (x.shape[-1],), w, b, epsilon)


def _skip_norm(x: Any, skip: Any, w: Any, b: Any, *more: Any, epsilon: float = 1e-12) -> Any:
    x = x + skip + (more[0] if more else 0)
    return nn.layer_norm(x, (x.shape[-1],), w, b, epsilon)


def _resize(x: Any, _roi: Any, scales: Any = None, sizes: Any = None, mode: bytes = b"nearest",
            **_: Any) -> Any:  # fmt: skip
    if scales is not None and scales.numel():
        factor = float(scales.reshape(-1)[-1])
        size = int(x.shape[-1] * factor)
    else:
        size = _ints(sizes)[-1]
        factor = size / x.shape[-1]
    if mode == b"nearest":
        index = (torch.arange(size, device=x.device) / factor).floor().long()
        return x.index_select(-1, index.clamp(max=x.shape[-1] - 1))
    return nn.interpolate(x, size=size, mode="linear", align_corners=False)


def _stft(x: Any, step: Any, window: Any, length: Any, onesided: int = 1) -> Any:
    # Where nothing is voiced the source is constant, and the phase of what is left is that
    # of rounding errors; an exact zero would sound like a hum.
    x = x + 1e-6 * torch.randn_like(x)
    frames = x.reshape(x.shape[0], -1).unfold(-1, int(length), int(step)) * window
    return torch.view_as_real(torch.fft.rfft(frames))


def _scatter_nd(x: Any, index: Any, updates: Any, **_: Any) -> Any:
    x = x.clone()
    x[tuple(index.to(x.device).unbind(-1))] = updates.to(x.device)
    return x


def _pad(x: Any, pads: Any, value: Any = None, mode: bytes = b"constant") -> Any:
    wide = _ints(pads)
    rank = x.dim()
    pairs = [p for axis in reversed(range(rank)) for p in (wide[axis], wide[axis + rank])]
    while len(pairs) > 2 and not any(pairs[-2:]):
        pairs = pairs[:-2]
    if mode == b"constant":
        return nn.pad(x, pairs)
    return nn.pad(x, pairs, mode=mode.decode()) if rank > 1 else nn.pad(
        x[None], pairs, mode=mode.decode()
    )[0]  # fmt: skip


def _reduce(run: Callable[..., Any]) -> Callable[..., Any]:
    def over(x: Any, axes: Any, keepdims: int = 1, **_: Any) -> Any:
        return run(x, dim=tuple(_ints(axes)), keepdim=bool(keepdims))

    return over


def _cast(x: Any, to: int, **_: Any) -> Any:
    return x.to(_TYPES[to])


def _expand(x: Any, shape: Any) -> Any:
    return x.expand(
        torch.broadcast_shapes(tuple(x.shape), tuple(_ints(shape)))
    )  # fmt: skip


def _where(c: Any, a: Any, b: Any) -> Any:
    a, b = _same(a, b)
    return torch.where(c.to(a.device), a, b)


def _matmul_integer(x: Any, w: Any, _x0: Any, w0: Any) -> Any:
    return x @ (w - w0)


def _fused(a: Any, b: Any, transA: int = 0, transB: int = 0, alpha: float = 1.0,  # noqa: N803
           **_: Any) -> Any:  # fmt: skip
    a, b = _same(a, b)
    return alpha * ((a.mT if transA else a) @ (b.mT if transB else b))


def _clip(x: Any, low: Any = None, high: Any = None) -> Any:
    return x.clamp(None if low is None else float(low), None if high is None else float(high))


def _concat(*parts: Any, axis: int) -> Any:
    device = next((p.device for p in parts if p.device.type != "cpu"), parts[0].device)
    return torch.cat([p.to(device) for p in parts], axis)


_OPERATORS: dict[str, Callable[..., Any]] = {
    "Mul": _two(operator.mul), "Add": _two(operator.add), "Sub": _two(operator.sub),
    "Div": _two(_divide), "Pow": _two(torch.pow), "Equal": _two(operator.eq),
    "Greater": _two(operator.gt), "Less": _two(operator.lt),
    "GreaterOrEqual": _two(operator.ge), "And": _two(operator.and_),
    "MatMul": _two(operator.matmul), "MatMulInteger": _matmul_integer,
    "FusedMatMul": _fused, "Cast": _cast, "Unsqueeze": _unsqueeze, "Reshape": _reshape,
    "DynamicQuantizeLinear": lambda x: (
        x / _FINE, torch.tensor(_FINE, device=x.device), torch.zeros((), device=x.device)
    ),
    "DequantizeLinear": lambda x, s, z=None: (x if z is None else x - z) * s,
    "Gather": _gather, "ReduceMean": _reduce(torch.mean), "ReduceSum": _reduce(torch.sum),
    "Sqrt": torch.sqrt, "Floor": torch.floor, "Round": torch.round, "Sin": torch.sin,
    "Cos": torch.cos, "Exp": torch.exp,
    "Atan": lambda x: torch.atan(torch.nan_to_num(x)), "Tanh": torch.tanh,
    "Sigmoid": torch.sigmoid, "Transpose": lambda x, perm: x.permute(perm),
    "ConvInteger": _conv_integer, "Conv": _conv, "ConvTranspose": _conv_transpose,
    "Split": lambda x, sizes, axis=0: tuple(x.split(_ints(sizes), axis)),
    "Shape": lambda x, **_: torch.tensor(x.shape), "Concat": _concat,
    "LeakyRelu": lambda x, alpha=0.01: nn.leaky_relu(x, alpha), "Slice": _slice,
    "LayerNormalization": _layer_norm, "SkipLayerNormalization": _skip_norm,
    "Softmax": lambda x, axis=-1: torch.softmax(x, axis),
    "FastGelu": lambda x, b=None: nn.gelu(x if b is None else x + b, approximate="tanh"),
    "Where": _where, "DynamicQuantizeLSTM": _lstm, "Resize": _resize, "Expand": _expand,
    "ConstantOfShape": lambda shape, value: torch.full(
        _ints(shape), numpy_helper.to_array(value).item()
    ),
    "Squeeze": lambda x, axes: x.squeeze(tuple(_ints(axes))), "Pad": _pad,
    "CumSum": lambda x, axis, **_: x.cumsum(int(axis)), "Clip": _clip, "STFT": _stft,
    "Range": lambda a, b, step: torch.arange(int(a), int(b), int(step)),
    "NonZero": lambda x: torch.stack(x.nonzero(as_tuple=True)), "ScatterND": _scatter_nd,
}  # fmt: skip
