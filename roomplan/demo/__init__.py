"""The demo: *Ice Harbour*, an invented cue of six dry sections, composed and synthesised here.

`ice_harbour` writes the stems; the plan that seats them in rooms is `configs/ice_harbour.yaml`.

Notes
-----
Timbres were judged by spectrogram. Stems and a plan that are there already are kept.
"""
