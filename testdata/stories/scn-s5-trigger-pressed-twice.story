# SCN-S5 Trigger pressed twice
# https://github.com/journeyapps/zxing-android-embedded/issues/526
story "the same code within a moment"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place LAB    kind=reception assumed=20..24C
08:00:00.100Z receive TB260118 type=EDTA by=lena at=LAB on=H-01 how=reader
expect answer recorded
08:00:00.380Z receive TB260118 type=EDTA by=lena at=LAB on=H-01 how=reader
expect answer repeated
expect TB260118 facts Received=1
08:05Z accept TB260118 by=lena at=LAB on=H-01 how=reader
expect answer recorded
expect TB260118 facts AcceptedForTesting=1
