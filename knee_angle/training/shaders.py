"""The GLSL programs of the renderer, as text."""
# ruff: noqa: E501 - columns of shader code read better than broken lines

from __future__ import annotations

__all__ = ["BODY_VERTEX", "FRAGMENT", "SOUP_VERTEX"]

BODY_VERTEX = """
#version 330
uniform mat4 view; uniform float offset, waves; uniform vec3 colour_a, colour_b; uniform vec4 pattern;
uniform float seed;
in vec3 pos; in vec3 nrm; in vec4 reg;
out vec3 P, N, A, B; out vec4 R; flat out vec4 M;
float hash(vec3 p){ p=fract(p*.3183099+seed*.017+.1); p*=17.; return fract(p.x*p.y*p.z*(p.x+p.y+p.z)); }
float noise(vec3 p){ vec3 i=floor(p), f=fract(p); f=f*f*(3.-2.*f);
  return mix(mix(mix(hash(i),hash(i+vec3(1,0,0)),f.x),mix(hash(i+vec3(0,1,0)),hash(i+vec3(1,1,0)),f.x),f.y),
             mix(mix(hash(i+vec3(0,0,1)),hash(i+vec3(1,0,1)),f.x),mix(hash(i+vec3(0,1,1)),hash(i+vec3(1,1,1)),f.x),f.y),f.z); }
void main(){
  float lift = offset + waves*(2.2*noise(pos*vec3(23,31,23))-.7);
  vec3 p = pos + nrm*max(lift, offset > 0. ? .001 : 0.);
  P=p; N=nrm; R=reg; A=colour_a; B=colour_b; M=pattern; gl_Position=view*vec4(p,1);
}
"""

SOUP_VERTEX = """
#version 330
uniform mat4 view;
in vec3 pos; in vec3 nrm; in vec3 ca; in vec3 cb; in vec4 par;
out vec3 P, N, A, B; out vec4 R; flat out vec4 M;
void main(){ P=pos; N=nrm; R=vec4(0); A=ca; B=cb; M=par; gl_Position=view*vec4(pos,1); }
"""

FRAGMENT = """
#version 330
in vec3 P, N, A, B; in vec4 R; flat in vec4 M;
uniform int cut, depth_only, skin; uniform vec4 span; uniform vec2 limits; uniform vec3 folds;
uniform vec3 sun_from, sun, sky, ground, lamp_at, lamp, eye; uniform mat4 sun_view, top_view;
uniform sampler2D sun_depth, top_depth; uniform sampler2DArray pictures;
uniform float softness, seed, shade; uniform vec3 knee, knee_axis, shin; uniform vec4 hair, marks;
out vec4 o;
float h(vec3 p){ p=fract(p*.1031+seed*.013); p+=dot(p,p.zyx+31.32); return fract((p.x+p.y)*p.z); }
float vn(vec3 p){ vec3 i=floor(p), f=fract(p); f=f*f*(3.-2.*f);
  return mix(mix(mix(h(i),h(i+vec3(1,0,0)),f.x),mix(h(i+vec3(0,1,0)),h(i+vec3(1,1,0)),f.x),f.y),
             mix(mix(h(i+vec3(0,0,1)),h(i+vec3(1,0,1)),f.x),mix(h(i+vec3(0,1,1)),h(i+vec3(1,1,1)),f.x),f.y),f.z); }
float fb(vec3 p){ return .5*vn(p)+.25*vn(p*2.1+3.)+.15*vn(p*4.3+7.)+.1*vn(p*8.7); }
float fold_at(vec3 p){ float a=folds.z; vec3 q=vec3(cos(a)*p.x+sin(a)*p.z, p.y, -sin(a)*p.x+cos(a)*p.z);
  q+=.05*vec3(vn(p*9.),vn(p*9.+5.),0.); float r=vn(q*vec3(folds.y,folds.y*.6,folds.y*.22)); return abs(2.*r-1.); }
void clip(){
  if(cut==1){ float w=limits.y*(fb(P*9.)-.5);
    if(R.x<span.x||R.x>span.y+w||R.y>limits.x||R.z>.3) discard;
    if(span.z>.5&&R.w<-.5&&R.x>.05&&R.x>span.w) discard; }
  if(cut==2&&(R.w*span.z<.5||R.x<span.x||R.x>span.y+limits.y*(fb(P*14.)-.5))) discard;
  if(cut==3&&(R.w<.5||distance(P*vec3(1,.7,1),knee*vec3(1,.7,1))>span.x*(1.+limits.y*(fb(P*20.)-.5)))) discard;
}
vec3 base(){
  vec3 c=A; float pt=M.x, sc=M.y; vec3 n=normalize(N);
  vec2 uv=abs(n.y)>.6?P.xz:(abs(n.z)>.6?P.xy:P.yz); float nz=fb(P*sc+seed);
  if(pt<.5) c=mix(A,B,smoothstep(.35,.65,nz));
  else if(pt<1.5) c=mix(A,B,smoothstep(.4,.6,.5+.5*sin(uv.x*sc*6.+2.*nz)));
  else if(pt<2.5) c=mix(A,B,step(.5,fract(uv.x*sc))*.5+step(.5,fract(uv.y*sc))*.5);
  else if(pt<3.5){ vec2 g=fract(uv*sc*2.)-.5; c=mix(B,A,smoothstep(.18,.26,length(g))); }
  else if(pt<4.5) c=mix(A,B,step(.5,h(floor(vec3(uv*sc,1.)))));
  else if(pt>9.5){ vec3 t=texture(pictures,vec3(uv*sc*.3+B.xy,floor(pt-9.5))).rgb; c=t*t*(.4+.8*A); }
  return c*(1.+M.z*(fb(P*60.+seed)-.5)+M.z*.6*(fb(P*5.)-.5));
}
vec3 skin_marks(vec3 c){
  vec3 d=P-knee; float along=dot(d,shin), across=dot(d,knee_axis);
  float spot=smoothstep(.5,.75,fb(P*11.+seed)); float close=exp(-dot(d,d)/.03);
  c*=mix(vec3(1),vec3(.75,.55,.7),marks.x*spot*(.3+.7*close));
  c*=mix(vec3(1),vec3(1.05,.85,.82),marks.y*close);
  float line=smoothstep(.006,.002,abs(across+.01*sin(along*30.)))*step(abs(along),.085)*step(.5,R.w);
  float stitch=smoothstep(.012,.008,abs(across))*step(.6,fract(along*90.))*step(abs(along),.085)*step(.5,R.w);
  c=mix(c,vec3(.25,.04,.04)*(.4+c),marks.z*line); c=mix(c,vec3(.08),marks.z*.5*stitch);
  float strand=smoothstep(.6,.9,vn(P*vec3(420,420,120)+seed)); c*=1.-marks.w*strand*step(-.15,R.x);
  return c;
}
float shadow(vec3 n, float a){
  vec4 s=sun_view*vec4(P+n*.006,1); s=s*.5+.5; float lit=0.;
  for(int i=0;i<12;i++){ float r=sqrt((float(i)+.5)/12.)*softness, t=a+float(i)*2.39996;
    lit+=step(s.z-.002,texture(sun_depth,s.xy+r*vec2(cos(t),sin(t))).r+.0015); }
  return lit/12.;
}
float openness(vec3 n, float a){
  vec4 s=top_view*vec4(P+n*.01,1); s=s*.5+.5; float dark=0.;
  for(int i=0;i<14;i++){ float r=((float(i)+.7)/14.)*.06, t=a+float(i)*2.39996;
    dark+=smoothstep(.0005,.02+r*.6,s.z-texture(top_depth,s.xy+r*vec2(cos(t),sin(t))).r); }
  return 1.-shade*dark/14.;
}
void main(){
  clip();
  if(M.w<-.5&&(depth_only==1||dot(N,eye-P)<0.)) discard;
  if(depth_only==1){ o=vec4(1); return; }
  vec3 n=normalize(N), v=normalize(eye-P); if(dot(n,v)<0.) n=-n;
  vec3 c=base();
  if(skin==1){ if(hair.w>.5&&R.z>.5&&R.x<hair.x) c=hair.yzz*vec3(1.,.8,.6); else c=skin_marks(c); }
  float b0=vn(P*90.);
  n=normalize(n+M.z*.35*(vec3(vn(P*90.+vec3(.35,0,0)),vn(P*90.+vec3(0,.35,0)),vn(P*90.+vec3(0,0,.35)))-b0));
  if(folds.x>0.){ float e=.004, f=fold_at(P);
    vec3 g=vec3(fold_at(P+vec3(e,0,0))-f,fold_at(P+vec3(0,e,0))-f,fold_at(P+vec3(0,0,e))-f);
    n=normalize(n-folds.x*1.6*g/(e*folds.y)*.5); c*=1.-.35*folds.x*(1.-smoothstep(0.,.25,f)); }
  float a=h(vec3(gl_FragCoord.xy,1.))*6.28, lit=shadow(n,a), open=openness(n,a), d=dot(n,sun_from);
  vec3 L=sun*max(d,0.)*lit;
  if(skin==1) L+=sun*vec3(.22,.06,.03)*max(0.,.5+.5*d)*(1.-abs(d))*mix(.4,1.,lit);
  vec3 pd=lamp_at-P; float pl=length(pd);
  L+=lamp*max(dot(n,pd/pl)*.8+.2,0.)/(pl*pl)*mix(1.,open,.5);
  L+=mix(ground,sky,.5+.5*n.z)*open;
  vec3 hv=normalize(sun_from+v); float gloss=max(M.w,0.), sp=gloss*pow(max(dot(n,hv),0.),20.+60.*gloss)*lit;
  vec3 col=c*L+sp*sun*.5; col+=gloss*pow(1.-max(dot(n,v),0.),4.)*.25*sky;
  col=col/(1.+.25*col); o=vec4(pow(clamp(col,0.,1.),vec3(1./2.2)),1);
}
"""
