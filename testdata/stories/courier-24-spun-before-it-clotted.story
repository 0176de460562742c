# Common practice, no source
story "serum spun after twenty minutes"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261039,TB261040 type=SERUM tests=K
08:00Z collect TB261039 TB261040 by=mira at=WARD-N on=H-09
08:15Z receive TB261039 TB261040 from=mira by=lena at=LAB on=H-01
08:20Z spin TB261039 by=lena at=LAB on=H-01
expect answer refused not-yet-clotted
expect TB261039 facts SpinStarted=0
# the centrifuge was started all the same, and its list arrives later
08:21Z spin TB261039 by=lena at=LAB on=H-02 sent=08:40Z
08:30Z spin TB261040 by=lena at=LAB on=H-01
expect answer recorded
08:40Z expect TB261039 doubt spun-before-clotted
08:40Z expect TB261040 doubt none
08:50Z explain TB261039 doubt=spun-before-clotted by=lena at=LAB on=H-01 reason=looked-at-it
08:50Z expect TB261039 doubt none
