/* SPDX-License-Identifier: GPL-2.0 OR MIT */
#ifndef RIG_LINES_H
#define RIG_LINES_H

#include <linux/bitmap.h>
#include <linux/types.h>

bool rig_lines_persist(void);
void rig_lines_note(unsigned int offset, bool level);

/* What the patched chip calls instead of setting the bits of its value map itself. */

static inline void rig_level(unsigned long *values, unsigned int offset, bool level)
{
	__assign_bit(offset, values, level);
	rig_lines_note(offset, level);
}

static inline void rig_levels(unsigned long *values, unsigned long *bits, unsigned long *mask, unsigned int count)
{
	unsigned int offset;

	for_each_set_bit(offset, mask, count)
		rig_level(values, offset, test_bit(offset, bits));
}

/* An output that becomes an input goes to its pull. */
static inline void rig_input(unsigned long *values, unsigned long *inputs, unsigned long *pulls, unsigned int offset)
{
	if (!test_bit(offset, inputs))
		rig_level(values, offset, test_bit(offset, pulls));
	__set_bit(offset, inputs);
}

/* A line is let go, or its process is dead: the rule decides whether it stays an output. */
static inline void rig_release(unsigned long *values, unsigned long *inputs, unsigned long *pulls, unsigned int offset)
{
	if (test_bit(offset, inputs) || !rig_lines_persist()) {
		rig_level(values, offset, test_bit(offset, pulls));
		__set_bit(offset, inputs);
	}
}

#endif
