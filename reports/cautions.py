"""The cautions that every page with a finding carries.

Holds the text only. Sources: 40 CFR 82 subpart B (United States), Regulation (EC)
307/2008 (European Union), SAE J2099 (purity of recovered refrigerant); the rest is
common practice. Does not belong here: anything about one car.
"""

from __future__ import annotations

from dataclasses import dataclass

INDICATION = (
    "An indication, not a proven defect: confirm it with an independent measurement before "
    "replacing a part. Never top up on a reading: recover, weigh, repair, recharge by weight."
)


@dataclass(frozen=True)
class Caution:
    """One hazard in a word or two, and what it asks of the person at the car."""

    subject: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "Pressure",
        "The high side can exceed 20 to 30 bar. Use gauges, hoses and couplings rated for it, "
        "wear eye protection and gloves, connect with the system off, and never open the "
        "high-side hose towards a container of refrigerant.",
    ),
    Caution(
        "Fire",
        "R-1234yf and other A2L refrigerants are mildly flammable, hydrocarbons highly so. "
        "Ventilate, keep flames, sparks, hot surfaces and smoking away, and use equipment rated "
        "for the refrigerant. Never test for leaks with compressed air or oxygen: air mixed with "
        "refrigerant under pressure can burn.",
    ),
    Caution(
        "Toxic decomposition",
        "In a flame or on a very hot surface these refrigerants form hydrogen fluoride (HF), "
        "which is toxic and corrosive. After a fire or a pungent smell leave and ventilate. "
        "Vapour is heavier than air and displaces it in pits.",
    ),
    Caution(
        "Frost and burns",
        "Escaping liquid freezes skin and eyes. The discharge line commonly runs at 60 to "
        "120 °C: let it cool before placing or moving a clamp.",
    ),
    Caution(
        "Fans and belts",
        "Electric fans start without warning and belts turn with the engine. Keep hands, hair, "
        "clothing, clamps and leads clear, chock the wheels and extract the exhaust gas.",
    ),
    Caution(
        "High voltage",
        "Electric compressors (orange cables) are for persons qualified on high voltage only: "
        "isolate and verify the absence of voltage. Use only the dielectric oil that the vehicle "
        "maker specifies and hoses free of other oils; small residues can destroy the insulation.",
    ),
    Caution(
        "Law and licence",
        "Opening the circuit and recovering refrigerant is for trained, licensed persons with "
        "approved equipment; venting is forbidden. In the United States see 40 CFR 82 subpart B, "
        "in the European Union Regulation (EC) 307/2008; elsewhere local rules apply. Leaks are "
        "to be repaired before the system is filled again.",
    ),
    Caution(
        "Know the refrigerant",
        "Identify it before recovery (recovered refrigerant is to meet SAE J2099 purity). Do not "
        "take unknown, mixed or hydrocarbon refrigerant into shop equipment. Carbon dioxide "
        "(R-744) systems run far higher pressures and are outside the scope of these pages.",
    ),
    Caution(
        "While logging",
        "No driver handles the logger while driving. Do not block the condenser to raise the "
        "load: pressure can rise within seconds.",
    ),
)
