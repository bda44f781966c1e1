"""Training: Whisper's encoder and a head for phones, on an accelerator.

CTC over blank and 39 phones; the layers below learn slower (each 0.6 of the one
above); bf16; rooms drawn anew for every batch. Every few hundred steps the phone
errors of the human development half are measured, averaged with the original
encoder in several shares; the step and the share with the fewest win, and only that
network is written.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import torch
import torch.nn.functional as nn
from torch import Tensor

from assistant.ears.encoder import PHONES
from hearing.making import network, rooms

RATE_HZ = 16_000
SHARES = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5)
"""How much of the tuned encoder, the rest the original's."""


class Speech(NamedTuple):
    """Speech on the accelerator: samples one after the other, and the phones."""

    sound: Tensor
    starts: np.ndarray
    ends: np.ndarray
    phones: list[list[int]]


def load(paths: list[Path], device: str) -> Speech:
    """Shards, see :mod:`.speech`; what cannot be aligned is left out."""
    sounds, starts, ends, phones, at = [], [], [], [], 0
    for path in paths:
        held = np.load(path)
        about = json.loads(str(held["about"]))
        first = 0
        for end, entry in zip(held["ends"], about, strict=True):
            said = [PHONES.index(p) + 1 for p in entry["phones"]]
            frames = (end - first) // 320
            if said and len(said) * 1.3 < frames < 6.5 * 50:
                starts.append(at + first)
                ends.append(at + int(end))
                phones.append(said)
            first = int(end)
        sounds.append(held["sound"])
        at += len(held["sound"])
    whole = torch.from_numpy(np.concatenate(sounds)).to(device)
    return Speech(whole, np.array(starts), np.array(ends), phones)


def batches(speech: Speech, size: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Without end: items of about one length together, in random order."""
    length = speech.ends - speech.starts
    while True:
        order = np.argsort(length * rng.uniform(0.85, 1.15, len(length)))
        groups = np.array_split(order, max(1, len(order) // size))
        for at in rng.permutation(len(groups)):
            yield groups[at]


def voices(
    speech: Speech,
    items: np.ndarray,
    dice: rooms.Dice,
    rng: np.random.Generator,
    plain: bool = False,
) -> tuple[Tensor, list[list[int]], Tensor]:
    """A batch: voices at random places in silence, their phones, frames that count.

    Some items are voices no longer: silence, with nothing to be heard. Speed and pitch
    change together, from 0.84 to 1.2.
    """
    length = speech.ends[items] - speech.starts[items]
    speed = np.ones(len(items)) if plain else rng.uniform(0.84, 1.2, len(items))
    before = np.full(len(items), 3200) if plain else rng.integers(0, 9600, len(items))
    after = np.full(len(items), 3200) if plain else rng.integers(800, 9600, len(items))
    spoken = np.floor((length - 1) / speed).astype(int)
    size = int((before + spoken + after).max())
    size += -size % 320
    at = (
        torch.arange(size, device=dice.device)[None]
        - torch.from_numpy(before).to(dice.device)[:, None]
    )
    place = at * torch.from_numpy(speed).to(dice.device, torch.float32)[:, None]
    inside = (at >= 0) & (place < torch.from_numpy(length - 1).to(dice.device)[:, None])
    place = torch.where(inside, place, 0.0)
    low = place.floor().long()
    part = place - low
    first = torch.from_numpy(speech.starts[items]).to(dice.device)[:, None]
    sound = speech.sound[first + low] * (1 - part) + speech.sound[first + low + 1] * part
    sound = torch.where(inside, sound / 32768, 0.0)
    said = [speech.phones[i] for i in items]
    if not plain:
        for n in np.flatnonzero(rng.random(len(items)) < 0.04):
            sound[n] = 0
            said[n] = []
    frames = torch.from_numpy(-(-(before + spoken + after) // 320)).to(dice.device)
    return sound, said, frames


def phone_errors(
    net: dict[str, Tensor], speech: Speech, how: network.Bands, snr_db: float | None
) -> float:
    """Phone errors per phone of the greedy path, in silence or in one room's noise."""
    dice, rng = rooms.Dice(5, speech.sound.device.type), np.random.default_rng(5)
    wrong = total = 0
    order = np.argsort(speech.ends - speech.starts)
    for items in np.array_split(order, -(-len(order) // 48)):
        sound, said, frames = voices(speech, items, dice, rng, plain=True)
        loud = sound / rooms.level(sound) * (2500 / 32768)
        if snr_db is None:
            loud = loud + dice.normal(*loud.shape) * 1.5 / 32768
        else:
            noise = rooms.rush(dice, *loud.shape)
            loud = loud + noise * (2500 / 32768) * 10 ** (-snr_db / 20)
        with torch.inference_mode(), torch.autocast(loud.device.type, torch.bfloat16):
            best = network.forward(net, network.features(loud, how), frames).argmax(-1).cpu()
        for row, truth, count in zip(best.tolist(), said, frames.tolist(), strict=True):
            path = [p for p, q in zip(row[:count], [-1, *row], strict=False) if p != q and p]
            wrong += edits(path, truth)
            total += len(truth)
    return wrong / total


def edits(one: list[int], other: list[int]) -> int:
    """Levenshtein's distance."""
    row = list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        last, row[0] = row[0], i
        for j, b in enumerate(other, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (a != b))
    return row[-1]


def averaged(
    tuned: dict[str, Tensor], first: dict[str, Tensor], share: float
) -> dict[str, Tensor]:
    """The tuned network with its encoder moved back towards the original."""
    return {
        name: value if name.startswith("head") else share * value + (1 - share) * first[name]
        for name, value in tuned.items()
    }


def rate(name: str, depth: int, top: float) -> float:
    """Learning rate of one array: 0.6 of the one above, layer by layer."""
    if name.startswith("head"):
        return top * 5
    if name.startswith("ln"):
        return top
    layer = int(name.split(".")[1]) if name.startswith("b.") else -1
    return float(top * 0.6 ** (depth - 1 - layer))


def train(
    begin: dict[str, Tensor], first: dict[str, Tensor], speech: Speech,
    dev: dict[str, Speech], *, steps: int, size: int,
    top: float, seed: int, until: float, every: int, device: str,
) -> tuple[list[dict[str, float]], dict[int, dict[str, Tensor]]]:  # fmt: skip
    """The log, and the network at each of its steps (float16, on the processor)."""
    net = {n: v.clone().to(device).requires_grad_(n != "pe") for n, v in begin.items()}
    start = {n: v.to(device) for n, v in first.items()}
    depth, how = network.blocks(net), network.bands(device)
    torch.manual_seed(seed)
    if not net["head.weight"].any():
        with torch.no_grad():
            net["head.weight"].normal_(0, 0.02)
    groups = [
        {"params": [v], "lr": (r := rate(n, depth, top)), "base": r,
         "weight_decay": 0.01 if v.dim() > 1 else 0.0}
        for n, v in net.items() if v.requires_grad
    ]  # fmt: skip
    optimiser = torch.optim.AdamW(groups, betas=(0.9, 0.98), fused=device != "cpu")
    dice, rng = rooms.Dice(seed, device), np.random.default_rng(seed)
    feed, log, kept, began = batches(speech, size, rng), [], {}, time.time()
    progress = 0.0
    for step in range(1, steps + 1):
        # By the clock if it is the clock that ends it.
        progress = max(step / steps, (time.time() - began) / (until - began))
        for group in optimiser.param_groups:
            warm = min(1.0, step / 150)
            group["lr"] = group["base"] * warm * max(0.02, 1 - progress)
        sound, said, frames = voices(speech, next(feed), dice, rng)
        with torch.no_grad():
            mel = rooms.hidden(dice, network.features(rooms.in_rooms(dice, sound), how))
        with torch.autocast(device, torch.bfloat16):
            logits = network.forward(net, mel, frames)
        logs = nn.log_softmax(logits.float(), -1).transpose(0, 1)
        target = torch.tensor([p for one in said for p in one], device=device)
        sizes = torch.tensor([len(one) for one in said], device=device)
        loss = nn.ctc_loss(logs, target, frames, sizes, zero_infinity=True)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_([v for v in net.values() if v.requires_grad], 1.0)
        optimiser.step()
        last = step == steps or progress >= 1
        if step % every == 0 or last:
            plain = {n: v.detach() for n, v in net.items()}
            entry: dict[str, float] = {"step": step, "loss": round(loss.item(), 4),
                                       "wall_s": round(time.time() - began, 1)}  # fmt: skip
            for name, held in dev.items():
                for share in (1.0, 0.7):
                    now = averaged(plain, start, share)
                    for snr_db in (None, 10.0):
                        key = f"{name} {share} {'quiet' if snr_db is None else 10}"
                        entry[key] = round(phone_errors(now, held, how, snr_db), 4)
            log.append(entry)
            print(json.dumps(entry), flush=True)
            kept[step] = {n: v.detach().to("cpu", torch.float16) for n, v in plain.items()}
        if last:
            break
    return log, kept


def human_errors(net: dict[str, Tensor], speech: Speech, how: network.Bands) -> float:
    """What chooses: the mean of the phone errors in quiet and at 10 dB."""
    both = [phone_errors(net, speech, how, snr_db) for snr_db in (None, 10.0)]
    return sum(both) / len(both)


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description="Train the acoustic model.")
    parser.add_argument("speech", type=Path, help="folder of shards")
    parser.add_argument(
        "human", type=Path, help="human-calibrate.npz, see hearing.making.human"
    )
    parser.add_argument("out", type=Path)
    parser.add_argument(
        "--first", type=Path, help="the original weights (.pt), else the package's"
    )
    parser.add_argument("--go-on", type=Path, help="weights of a run to go on from")
    parser.add_argument(
        "--synthetic", type=Path, help="folder of shards to watch, not to choose"
    )
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--size", type=int, default=96)
    parser.add_argument("--top", type=float, default=1e-4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=1e4)
    parser.add_argument("--every", type=int, default=500)
    parser.add_argument("--device", default="cuda")
    asked = parser.parse_args()
    until = time.time() + 60 * asked.minutes
    first = (
        {n: v.float() for n, v in torch.load(asked.first).items()}
        if asked.first
        else network.original(network.base_bytes())
    )
    begin = {n: v.float() for n, v in torch.load(asked.go_on).items()} if asked.go_on else first
    speech = load(sorted(asked.speech.glob("*.npz")), asked.device)
    print(
        f"{len(speech.phones)} utterances, {len(speech.sound) / RATE_HZ / 3600:.1f} h",
        flush=True,
    )
    dev = {"human": load([asked.human], asked.device)}
    if asked.synthetic:
        dev["synthetic"] = load(sorted(asked.synthetic.glob("*.npz")), asked.device)
    log, kept = train(
        begin, first, speech, dev, steps=asked.steps, size=asked.size, top=asked.top,
        seed=asked.seed,
        until=until, every=asked.every, device=asked.device,
    )  # fmt: skip
    asked.out.mkdir(parents=True, exist_ok=True)
    how, start = network.bands(asked.device), {n: v.to(asked.device) for n, v in first.items()}
    table = {}
    for step in sorted(kept)[len(kept) // 4 :]:
        tuned = {n: v.to(asked.device, torch.float32) for n, v in kept[step].items()}
        for share in SHARES:
            table[step, share] = human_errors(averaged(tuned, start, share), dev["human"], how)
    best = min(table, key=lambda key: table[key])
    print("best", best, table[best], flush=True)
    chosen = averaged({n: v.float() for n, v in kept[best[0]].items()}, first, best[1])
    torch.save({n: v.half() for n, v in chosen.items()}, asked.out / "chosen.pt")
    torch.save(kept[max(kept)], asked.out / "last.pt")
    shown = {f"{s} {share}": round(v, 4) for (s, share), v in table.items()}
    (asked.out / "log.json").write_text(
        json.dumps({"log": log, "choice": shown, "best": best}, indent=1), encoding="utf-8"
    )


if __name__ == "__main__":
    main()
