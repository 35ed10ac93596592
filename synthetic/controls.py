"""Controllers of the simulated cars: condenser fan stages, clutch, displacement, motor speed.

`control` takes what the controllers sense and their memory and gives the drive of the next
step; one array element per test. Does not belong here: the circuit (`circuit`), the engine
speed and protocols (`behaviour`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from synthetic.batch import BoolArray, Plant
    from synthetic.refrigerants import FloatArray, IntArray

_LEAST_DWELL_S = 9.0
_LEAST_OFF_S = 4.0


@dataclass(frozen=True)
class Senses:
    """What the controllers read: pressures in bar gauge as the car senses them."""

    low_bar: FloatArray
    high_bar: FloatArray
    fin_c: FloatArray
    is_requested: BoolArray


@dataclass(frozen=True)
class Memory:
    """What the controllers remember between steps."""

    fan_stage: IntArray
    fan_held_s: FloatArray
    is_running: BoolArray
    switch_held_s: FloatArray
    is_high_tripped: BoolArray
    command: FloatArray
    displacement: FloatArray
    is_moving: BoolArray
    last_error_k: FloatArray


def fresh_memory(n_tests: int) -> Memory:
    """Controllers that have just been switched on: nothing runs."""
    zeros = np.zeros(n_tests)
    off = np.zeros(n_tests, dtype=np.bool_)
    return Memory(
        fan_stage=np.zeros(n_tests, dtype=np.int64), fan_held_s=zeros + 60.0, is_running=off,
        switch_held_s=zeros + 60.0, is_high_tripped=off, command=zeros + 0.05,
        displacement=zeros + 0.05, is_moving=off, last_error_k=zeros,
    )  # fmt: skip


def _fan(
    plant: Plant, senses: Senses, memory: Memory, step_s: float
) -> tuple[IntArray, FloatArray]:
    """Fan stage by pressure with hysteresis, and how long it has stood."""
    wanted = np.zeros_like(memory.fan_stage)
    for above in (1, 2):
        on = senses.high_bar > plant.fan_on_bar[:, above - 1]
        stays = (memory.fan_stage >= above) & (senses.high_bar > plant.fan_off_bar[:, above - 1])
        wanted = np.where(on | stays, above, wanted)
    wanted = np.where(senses.is_requested, wanted, 0)
    may_move = memory.fan_held_s >= _LEAST_DWELL_S
    stage = np.where(may_move, wanted, memory.fan_stage)
    held = np.where(stage != memory.fan_stage, 0.0, memory.fan_held_s + step_s)
    return stage, held


def _switch(
    plant: Plant, senses: Senses, memory: Memory, step_s: float
) -> tuple[BoolArray, FloatArray, BoolArray]:
    """Compressor on or off: request, high-pressure trip, clutch cycling on fin or pressure."""
    tripped = np.where(memory.is_high_tripped, senses.high_bar > 18.5, senses.high_bar > 27.5)
    warm = senses.fin_c > plant.fin_target_c + np.where(memory.is_running, 0.0, 2.8)
    low = plant.suction_target_bar
    fed = np.where(memory.is_running, senses.low_bar > low, senses.low_bar > low + 1.55)
    alive = np.where(memory.is_running, senses.low_bar > 0.55, senses.low_bar > 1.9)
    cycles = np.where(plant.is_orifice, fed, warm & alive)
    wanted = senses.is_requested & ~tripped & np.where(plant.has_clutch, cycles, alive)
    may_move = memory.is_running | (memory.switch_held_s >= _LEAST_OFF_S)
    running = np.where(may_move, wanted, memory.is_running)
    held = np.where(running != memory.is_running, 0.0, memory.switch_held_s + step_s)
    return running, held, tripped


def _electronic_command(
    plant: Plant, senses: Senses, memory: Memory, step_s: float
) -> tuple[FloatArray, FloatArray]:
    """Displacement or speed command that follows the fin temperature, limited by high pressure."""
    error = senses.fin_c - plant.fin_target_c
    trend = error - memory.last_error_k
    move = np.clip(0.0035 * error * step_s + 0.045 * trend, -0.03, 0.03)
    move = move - 0.03 * step_s * np.clip(senses.high_bar - 22.5, 0.0, 3.0)
    least = np.where(plant.is_electric, 0.16, 0.05)
    return np.clip(memory.command + move, least, 1.0), error


def _displacement(
    plant: Plant, senses: Senses, memory: Memory, command: FloatArray, step_s: float
) -> tuple[FloatArray, BoolArray]:
    """Displacement (or share of full speed) reached: sticking valves move in bouts."""
    off = np.abs(command - memory.displacement)
    moving = np.where(memory.is_moving, off > 0.012, off > 0.05) | plant.is_electric
    followed = memory.displacement + np.where(moving, (command - memory.displacement), 0.0) * (
        step_s / 2.5
    )
    # the bellows of an internal valve opens over a third of a bar about its set point, and the
    # set point falls a little as the high side rises
    point = plant.suction_target_bar - 0.012 * (senses.high_bar - 13.0)
    pneumatic = np.clip(0.5 + (senses.low_bar - point) / 0.34, 0.05, 1.0)
    pneumatic = memory.displacement + (pneumatic - memory.displacement) * (step_s / 6.0)
    variable = np.where(plant.is_internal, pneumatic, followed)
    return np.where(plant.has_clutch, 1.0, np.clip(variable, 0.05, 1.0)), moving


def control(plant: Plant, senses: Senses, memory: Memory, step_s: float) -> Memory:
    """The controllers' memory after a step; its stage, switch and displacement drive the car."""
    stage, fan_held = _fan(plant, senses, memory, step_s)
    running, switch_held, tripped = _switch(plant, senses, memory, step_s)
    command, error = _electronic_command(plant, senses, memory, step_s)
    displacement, moving = _displacement(plant, senses, memory, command, step_s)
    idle = plant.has_clutch | running
    return Memory(
        fan_stage=stage, fan_held_s=fan_held, is_running=running, switch_held_s=switch_held,
        is_high_tripped=tripped, command=np.where(idle, command, 0.05),
        displacement=np.where(idle, displacement, 0.05), is_moving=moving, last_error_k=error,
    )  # fmt: skip
