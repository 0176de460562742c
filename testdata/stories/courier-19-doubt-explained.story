# Common practice, no source
story "who carried it says so on the telephone"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261032 type=LIHEP-GEL tests=K
08:00Z collect TB261032 by=mira at=WARD-N on=H-09
08:40Z receive TB261032 by=lena at=LAB on=H-01
08:41Z expect TB261032 doubt leg-not-reported
08:50Z explain TB261032 doubt=leg-not-reported by=lena at=LAB on=H-01 reason=relative-brought-it
expect answer recorded
08:50Z expect TB261032 doubt none
08:50Z expect TB261032 facts DoubtRaised=1
08:50Z expect TB261032 facts DoubtClosed=1
# an explained doubt doesn't come back
09:30Z see TB261032 by=lena at=LAB on=H-01
09:30Z expect TB261032 doubt none
09:30Z expect TB261032 facts DoubtRaised=1
