"""The total solar energy transmittance of glazing with a device outside it, by the
full heat balance of every layer (ISO 15099, as pywincalc works it out), against which
the simplified formula of the program is held. Run by hand (tests/README.md):

    python3 tests/outside_gain/recompute.py | diff - tests/outside_gain/g_total.csv

Made-up glazing of one, two and three panes; a cloth of 0.6 mm, 100 mm before the
glass, the air between closed in. Summer conditions of NFRC 200, the library's own.
"""

import warnings

import pywincalc as w

warnings.filterwarnings("ignore")  # the library's own about its older names
# For layers of one band each the spectrum of the standard does not matter.
STANDARD = w.load_standard(str(w.standard_path / "W5_NFRC_2003.std"))
ARGON = [
    w.PredefinedGasMixtureComponent(w.PredefinedGasType.ARGON, 0.9),
    w.PredefinedGasMixtureComponent(w.PredefinedGasType.AIR, 0.1),
]
CLOTHS = [(0.0, 0.5), (0.02, 0.1), (0.05, 0.3), (0.05, 0.7), (0.1, 0.5), (0.1, 0.8), (0.2, 0.5), (0.3, 0.4), (0.4, 0.5)]


def layer(t, front, back, e_front, e_back, conductivity=1.0, thickness=0.004):
    optical = w.ProductDataOpticalDualBandHemispheric(
        t, t, front, back, t, t, front, back, thickness, 0.0, 0.0, e_front, e_back
    )
    return w.ProductDataOpticalAndThermal(optical, w.ProductDataThermal(conductivity, thickness))


def clear():
    return layer(0.83, 0.075, 0.075, 0.84, 0.84)


def coated():
    """Its coating looks inwards."""
    return layer(0.60, 0.25, 0.25, 0.84, 0.03)


def gap():
    return w.Gap(ARGON, 0.016)


GLAZINGS = {
    "single": ([layer(0.81, 0.075, 0.075, 0.84, 0.84)], []),
    "double": ([coated(), clear()], [gap()]),
    "double uncoated": ([clear(), clear()], [gap()]),
    "triple": ([coated(), clear(), layer(0.60, 0.25, 0.25, 0.03, 0.84)], [gap(), gap()]),
}


def system(layers, gaps):
    return w.GlazingSystem(
        optical_standard=STANDARD,
        solid_layers=layers,
        gap_layers=gaps,
        width_meters=1.2,
        height_meters=1.5,
        environment=w.nfrc_shgc_environments(),
    )


def main():
    print("# Total solar energy transmittance by the heat balance of ISO 15099 (pywincalc, BSD 3-clause);")
    print("# made by recompute.py, see README.md. u in W/(m2 K); transmittance and reflectance of the cloth outside.")
    print("glazing,u,g,transmittance,reflectance,g_total")
    for name, (layers, gaps) in GLAZINGS.items():
        bare = system(layers, gaps)
        u, g = bare.u(), bare.shgc()
        for t, r in CLOTHS:
            cloth = layer(t, r, r, 0.9, 0.9, 0.15, 0.0006)
            shaded = system([cloth, *layers], [w.Gap(w.PredefinedGasType.AIR, 0.1), *gaps])
            print(f"{name},{u:.3f},{g:.3f},{t},{r},{shaded.shgc():.4f}")


main()
