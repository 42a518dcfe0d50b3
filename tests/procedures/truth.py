"""What a noiseless long FFT of the whole simulated chain shows: the truth that the readings must meet."""

import numpy as np


def lines_dbm(world, channel, offset_hz, *, at="analyser", samples=1 << 16):
    """Return the level of each line by multiple of the offset, at the radio ``port`` or the ``analyser``."""
    envelope, rate_hz = world.truth_envelope(channel, samples=samples, at=at)
    spectrum = np.abs(np.fft.fft(envelope)) / samples
    frequency = np.fft.fftfreq(samples, 1 / rate_hz)
    return {
        multiple: 20 * np.log10(spectrum[np.argmin(np.abs(frequency - multiple * offset_hz))] + 1e-15) + 30
        for multiple in (1, 0, -1, 2, -2, 3, -3)
    }


def relative_dbc(rig, channel, carrier_hz, offset_hz):
    """Return each line against the tone as it should read: at the analyser, with the believed path loss."""
    path = rig.bench.path(channel)
    pad_db = rig.session.state(channel).pad_db
    lines = {
        multiple: level + path.loss_db(carrier_hz + multiple * offset_hz, pad_db=pad_db)
        for multiple, level in lines_dbm(rig.world, channel, offset_hz).items()
    }
    return {multiple: level - lines[1] for multiple, level in lines.items()}
