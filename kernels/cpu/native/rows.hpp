// The two forms of pointwise.cpp: ROWS(name) is the one being compiled.
#pragma once

#define JOINED_(name, px) name##_##px
#define JOINED(name, px) JOINED_(name, px)
#define ROWS(name) JOINED(name, PX)

void ROWS(planes)(const void* params, int y0, int y1);
bool ROWS(picture)(const void* params, int row0, int row1);
#if PX != 8
void planes_8(const void* params, int y0, int y1);
bool picture_8(const void* params, int row0, int row1);
#endif
