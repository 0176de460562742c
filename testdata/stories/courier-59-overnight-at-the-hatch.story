# Common practice, no source
story "nobody comes; the box is safe, the potassium isn't"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place HATCH  kind=hatch     assumed=18..25C
carrier B-60 kind=box
request R-1 patient=P-7001 tube=TB261090 type=LIHEP-GEL tests=K
2026-11-24T16:00Z collect TB261090 by=mira at=WARD-N on=H-09
2026-11-24T16:05Z pack TB261090 in=B-60 by=mira at=WARD-N on=H-09
2026-11-24T16:10Z release B-60 to=HATCH by=mira at=HATCH on=H-09
2026-11-24T18:00Z expect TB261090 flag none
2026-11-24T20:00Z expect TB261090/K within-limits used=240m
2026-11-24T20:01Z expect TB261090/K past-limit reason=time
2026-11-24T20:01Z expect TB261090 flag ask-new-sample
2026-11-25T07:00Z expect TB261090 holder HATCH link=by-box
2026-11-25T07:00Z expect TB261090 doubt none
2026-11-25T07:00Z expect TB261090 facts FlagRaised=1
