"""The safety sentences. Every alert that could lead a person to a battery carries those that apply, word for word."""

CAUTIONS: dict[str, str] = {
    "hydrogen": "A charging battery gives off hydrogen: air the place, no flames or sparks, switch the charger off before you touch the clamps.",
    "acid": "Battery acid burns: wear eye and glove protection; flush eyes at once with running water and get medical help.",
    "short_circuit": "A battery can drive thousands of amperes through a tool: insulated tools, no rings, disconnect the negative first and reconnect it last.",
    "frozen": "Never charge a frozen battery. Let it thaw slowly in a ventilated place and look for cracks first.",
    "lithium_cold": "Never charge a lithium battery below 0 °C: it is damaged inside without any sign. Warm it first.",
    "hot": "A battery that is hot, swollen or smells of rotten eggs: switch the charger off if you can do so safely, keep away, let it cool, call a professional.",
    "lithium_hot": "A lithium battery that is hot, swollen, hissing or smoking: keep away from it and its smoke, leave the vehicle, call the fire service.",
    "mains": "Mains, hook-up and fixed wiring belong to a licensed electrician and your local code.",
    "advice": "Restvolt advises; it is not a protective device. The battery maker's sheet overrides every default.",
}
